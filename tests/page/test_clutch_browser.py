"""The clutches in a real browser: they fit a phone, can be tapped, and need no script."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.logbook import Archive
from tests.kit.clutchroom import ClutchRoom, entry_of, write_clutch_room
from tests.page.conftest import Served, end_page, start_page
from tests.page.test_browser import (  # noqa: F401 - browser_of is a fixture
    AXE,
    LAPTOP,
    PHONE,
    Opener,
    browser_of,
    complaints,
    find,
    log_in,
    shoot,
    until,
)

PATHS = ("/clutches", "/clutch/P-01", "/clutch/E-05", "/clutch/P-04", "/season", "/place/rearing/ready")

pytestmark = pytest.mark.timeout(120)


@pytest.fixture
def room(tmp_path: Path) -> ClutchRoom:
    """Write a season that ends now."""
    return write_clutch_room(tmp_path / "room", int(time.time()) * 1000)


@pytest.fixture
def at(room: ClutchRoom) -> Iterator[Served]:
    """Serve it by the real process."""
    given = start_page(room.config)
    yield given
    end_page(given)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_every_page_fits(
    browser_of: Opener,  # noqa: F811 - the fixture
    at: Served,
    size: tuple[int, int],
    dark: bool,
) -> None:
    """No sideways scrolling, no complaint, controls of 48 px, nothing serious for an accessibility engine."""
    driver = browser_of(size, dark=dark)
    for path in PATHS:
        driver.get(at.base + path)
        width, room = driver.execute_script("return [document.documentElement.scrollWidth, innerWidth]")
        assert width <= room, path
        small = driver.execute_script(
            "return [...document.querySelectorAll('button,summary,select,input:not([type=hidden]),nav a')]"
            ".filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 47.9)"
            ".map(e => e.outerHTML)"
        )
        assert small == [], path
        name = f"clutch{path.replace('/', '-')}"
        shoot(driver, f"{name}-{'phone' if size is PHONE else 'laptop'}-{'dark' if dark else 'light'}")
        if AXE is not None and size is PHONE:
            driver.execute_script(AXE.read_text("utf-8"))
            found = driver.execute_async_script(
                "const done = arguments[arguments.length - 1];"
                "axe.run(document, {runOnly: ['wcag2a','wcag2aa','wcag21aa','wcag22aa']})"
                ".then(r => done(r.violations.map(v => [v.impact, v.id, v.nodes.map(n => n.html)])))"
            )
            assert [item for item in found if item[0] in {"serious", "critical"}] == [], path
    assert complaints(driver) == []


def test_two_hatched_without_script(browser_of: Opener, at: Served, room: ClutchRoom) -> None:  # noqa: F811
    """A number and one tap write an entry, without script."""
    driver = browser_of(PHONE, script=False)
    log_in(driver, at, "/clutch/P-01")
    count = find(driver, "input[name=count]")
    count.clear()
    count.send_keys("2")
    find(driver, 'button[value="hatched"]').click()
    until(driver, lambda d: "done=" in d.current_url)
    with Archive.open(room.folder) as archive:
        assert entry_of(archive.orders()[0]) == {"deed": "hatched", "count": 2}


def test_the_season_prints(browser_of: Opener, at: Served) -> None:  # noqa: F811
    """On paper there are curves and figures, and neither buttons nor navigation."""
    driver = browser_of(LAPTOP, dark=True)
    driver.get(at.base + "/season")
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    assert not find(driver, "body > nav").is_displayed()
    assert find(driver, ".season .drawn svg").is_displayed()
    driver.get(at.base + "/clutch/P-01")
    assert not find(driver, ".deeds").is_displayed()
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
