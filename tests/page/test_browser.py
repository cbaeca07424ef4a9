"""The page in a real browser, phone and laptop, light and dark, against the real process.

Screenshots are written to ``out/`` so that somebody looks at them.
"""

import base64
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import WebDriverWait

from daemon.logbook import Archive, Logbook
from daemon.record import Asked, Batch, Entry
from rules.reading import Quantity
from tests.kit.night import Night, later, write_night
from tests.page.conftest import ROOT, Served, end_page, start_page

OUT = ROOT / "out"
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
)
AXE = next(
    (
        path
        for path in (
            ROOT / "tests/page/node_modules/axe-core/axe.min.js",
            ROOT / "node_modules/axe-core/axe.min.js",
        )
        if path.is_file()
    ),
    None,
)
PHONE, LAPTOP = (390, 844), (1280, 900)
PAGES = (
    "/",
    "/place/incubator-2",
    "/place/box-1?window=nights",
    "/alarms",
    "/alarm/1",
    "/sensors",
    "/help",
    "/login",
)

pytestmark = pytest.mark.timeout(120)

Opener = Callable[..., webdriver.Chrome]


@pytest.fixture(scope="module")
def browser_of(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opener]:
    """Give what opens a browser of a size; all are closed at the end."""
    kept: dict[bool, webdriver.Chrome] = {}

    def make(size: tuple[int, int] = PHONE, *, dark: bool = False, script: bool = True) -> webdriver.Chrome:
        driver = kept.get(script)
        if driver is None:
            options = webdriver.ChromeOptions()
            for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
                options.add_argument(flag)
            if not script:
                blocked = {"profile.managed_default_content_settings.javascript": 2}
                options.add_experimental_option("prefs", blocked)
            options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
            options.binary_location = shutil.which("chromium") or "chromium"
            driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
            kept[script] = driver
        width, height = size
        metrics = {
            "width": width,
            "height": height,
            "deviceScaleFactor": 2 if width < 600 else 1,
            "mobile": width < 600,
        }
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        scheme = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": scheme})
        driver.delete_all_cookies()
        return driver

    yield make
    for driver in kept.values():
        driver.quit()


@pytest.fixture(scope="module")
def live_written(tmp_path_factory: pytest.TempPathFactory) -> Night:
    """Write a night that ends now."""
    return write_night(tmp_path_factory.mktemp("live"), places=8, now=int(time.time()) * 1000)


@pytest.fixture
def live(live_written: Night, tmp_path: Path) -> Night:
    """Give a test a copy of it with a round of this moment."""
    folder = tmp_path / "room"
    shutil.copytree(live_written.config.parent, folder)
    night = Night(folder / "room.toml", folder / "state", live_written.now, live_written.names)
    beat(night)
    return night


@pytest.fixture
def at(live: Night) -> Iterator[Served]:
    """Serve it by the real process."""
    given = start_page(live.config)
    yield given
    end_page(given)


def beat(night: Night, value: float = 29.7) -> None:
    """Write one more round, as the watch does."""
    now = int(time.time() * 1000)
    with Logbook.open(night.folder) as book:
        book.commit([Batch(now, (Entry("box-4-sensor", Quantity.TEMPERATURE, value, now, now),))])


def shoot(driver: webdriver.Chrome, name: str) -> None:
    """Keep a picture of the whole page."""
    OUT.mkdir(exist_ok=True)
    width, height = driver.execute_script("return [innerWidth, document.documentElement.scrollHeight]")
    clip = {"x": 0, "y": 0, "width": width, "height": min(height, 4000), "scale": 1}
    shot = driver.execute_cdp_cmd("Page.captureScreenshot", {"captureBeyondViewport": True, "clip": clip})
    (OUT / f"{name}.png").write_bytes(base64.b64decode(shot["data"]))


def complaints(driver: webdriver.Chrome) -> list[str]:
    """Give what the browser's console holds against the page."""
    return [
        entry["message"] for entry in driver.get_log("browser") if entry["level"] in {"SEVERE", "WARNING"}
    ]  # type: ignore[no-untyped-call]


def find(driver: webdriver.Chrome, css: str) -> WebElement:
    """Give the first element of a kind."""
    return driver.find_element(By.CSS_SELECTOR, css)


def until(driver: webdriver.Chrome, what: Callable[[webdriver.Chrome], Any], seconds: float = 10) -> Any:
    """Wait until something holds; an element that a refresh replaced meanwhile is looked up again."""
    wait = WebDriverWait(driver, seconds, 0.1, ignored_exceptions=[StaleElementReferenceException])
    return wait.until(what)


def log_in(driver: webdriver.Chrome, at: Served, path: str = "/") -> None:
    """Log this browser in."""
    driver.get(f"{at.base}/login?next={path}")
    find(driver, "input[name=by]").send_keys("Ines")
    find(driver, "input[name=passcode]").send_keys(at.passcode)
    find(driver, ".login button").click()
    until(driver, lambda d: "Logged in as Ines" in d.page_source)


def asked(night: Night) -> list[Asked]:
    """Give the orders in the logbook, oldest first."""
    with Archive.open(night.folder) as archive:
        return archive.orders()[::-1]


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_every_page_fits_and_is_clean(
    browser_of: Opener, at: Served, size: tuple[int, int], dark: bool
) -> None:
    """No sideways scrolling, no console complaint, no request that leaves the host, controls of 48 px."""
    driver = browser_of(size, dark=dark)
    for path in PAGES:
        driver.get(at.base + path)
        width, room = driver.execute_script("return [document.documentElement.scrollWidth, innerWidth]")
        assert width <= room, path
        loaded = driver.execute_script("return performance.getEntriesByType('resource').map(e => e.name)")
        assert loaded
        assert all(name.startswith(at.base + "/") for name in loaded)
        small = driver.execute_script(
            "return [...document.querySelectorAll('button,summary,input:not([type=hidden]),nav a')]"
            ".filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 47.9)"
            ".map(e => e.outerHTML)"
        )
        assert small == [], path
        unnamed = driver.execute_script(
            "return [...document.querySelectorAll('input:not([type=hidden])')]"
            ".filter(e => !e.labels.length).length"
        )
        assert unnamed == 0, path
        name = path.strip("/").replace("/", "-").partition("?")[0] or "night"
        shoot(driver, f"{name}-{'phone' if size is PHONE else 'laptop'}-{'dark' if dark else 'light'}")
    assert complaints(driver) == []


@pytest.mark.skipif(AXE is None, reason="axe-core is not installed (npm install axe-core in tests/page)")
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_an_accessibility_engine_finds_nothing_serious(browser_of: Opener, at: Served, dark: bool) -> None:
    """axe-core: no serious and no critical finding on any page, WCAG 2.2 A and AA."""
    assert AXE is not None
    driver = browser_of(PHONE, dark=dark)
    for path in PAGES:
        driver.get(at.base + path)
        driver.execute_script(AXE.read_text("utf-8"))
        found = driver.execute_async_script(
            "const done = arguments[arguments.length - 1];"
            "axe.run(document, {runOnly: ['wcag2a','wcag2aa','wcag21aa','wcag22aa','best-practice']})"
            ".then(r => done(r.violations.map(v => [v.impact, v.id, v.nodes.map(n => n.html).slice(0, 2)])))"
        )
        assert [item for item in found if item[0] in {"serious", "critical"}] == [], path


def test_sixty_places_are_one_page(browser_of: Opener, tmp_path: Path) -> None:
    """On a phone sixty places need no sideways scrolling and about three screens of calm."""
    night = write_night(tmp_path, places=60, every=120_000, now=int(time.time()) * 1000)
    at = start_page(night.config)
    try:
        driver = browser_of(PHONE)
        driver.get(at.base)
        height, width = driver.execute_script(
            "const e = document.documentElement; return [e.scrollHeight, e.scrollWidth]"
        )
        assert len(driver.find_elements(By.CSS_SELECTOR, ".line")) == 60
        assert width <= 390
        assert height < 5 * 844
        shoot(driver, "sixty-phone-light")
        shoot(browser_of(LAPTOP), "sixty-laptop-light")
    finally:
        end_page(at)


def test_read_out_under_the_pointer(browser_of: Opener, at: Served) -> None:
    """Over the curve stands the instant and the value; the arrow keys do the same."""
    driver = browser_of(LAPTOP)
    driver.get(at.base + "/place/box-5")
    box = find(driver, ".zoom")
    ActionChains(driver).move_to_element_with_offset(box, 40, 0).perform()
    said = until(driver, lambda d: find(d, ".readout span").text)
    assert "°C" in said
    assert ":" in said
    box.send_keys(Keys.ARROW_LEFT)
    until(driver, lambda d: find(d, ".readout span").text not in {"", said})
    shoot(driver, "readout-laptop-light")


def test_dragging_zooms(browser_of: Opener, at: Served) -> None:
    """A window that is drawn over the curve is asked from the server."""
    driver = browser_of(LAPTOP)
    driver.get(at.base + "/place/box-5")
    box = find(driver, ".zoom")
    before = find(driver, ".lead").text
    ActionChains(driver).move_to_element_with_offset(box, -200, 0).click_and_hold().move_by_offset(
        80, 0
    ).move_by_offset(80, 0).release().perform()
    until(driver, lambda d: "from=" in d.current_url)
    assert find(driver, ".lead").text != before
    assert "aria-current" not in find(driver, ".windows").get_attribute("innerHTML")


def test_i_have_seen_it_from_an_alerts_link(browser_of: Opener, at: Served, live: Night) -> None:
    """The link opens the alarm; once logged in one tap says it, and the page shows what came of it."""
    driver = browser_of(PHONE)
    driver.get(at.base + "/alarm/1")
    button = find(driver, ".thumb button.main")
    place = driver.execute_script("return arguments[0].getBoundingClientRect().top", button)
    assert place > 844 * 0.6
    button.click()
    until(driver, lambda d: "log in once" in d.page_source)
    find(driver, "input[name=by]").send_keys("Ines")
    find(driver, "input[name=passcode]").send_keys(at.passcode)
    find(driver, ".login button").click()
    until(driver, lambda d: d.current_url.endswith("/alarm/1"))
    find(driver, ".thumb button.main").click()
    until(driver, lambda d: "On its way to the watch." in d.page_source)
    (order,) = asked(live)
    assert (order.by, order.body) == ("Ines", {"verb": "acknowledge", "alarm": 1})
    now = int(time.time() * 1000)
    with Logbook.open(live.folder) as book, Archive.open(live.folder) as archive:
        row = archive.alarm(1)
        assert row is not None
        seen = later(row, acknowledged=now, acknowledged_by="Ines")
        book.commit([Batch(now, alarms=(seen,), answers=((order.id, now, "done"),), urgent=True)])
    until(driver, lambda d: "by Ines" in find(d, ".one").text, 10)
    assert "It repeats no more" in find(driver, ".done").text
    assert not driver.find_elements(By.CSS_SELECTOR, ".thumb button.main")
    shoot(driver, "seen-phone-light")
    find(driver, ".done button").click()
    until(driver, lambda _: asked(live)[-1].body == {"verb": "undo", "order": order.id})


def test_quiet_for_a_while_from_the_sheet(browser_of: Opener, at: Served, live: Night) -> None:
    """Two taps and, if one likes, a reason."""
    driver = browser_of(PHONE)
    log_in(driver, at)
    find(driver, ".shelve summary").click()
    find(driver, ".shelve[open] input[name=reason]").send_keys("feeding")
    shoot(driver, "shelve-phone-light")
    find(driver, '.shelve[open] button[value="20 min"]').click()
    until(driver, lambda d: "On its way to the watch." in d.page_source)
    assert asked(live)[-1].body == {"verb": "shelve", "alarm": 1, "for_ms": 1_200_000, "reason": "feeding"}


def test_it_works_without_script(browser_of: Opener, at: Served, live: Night) -> None:
    """Reading, the table of a curve, login and an order need no script."""
    driver = browser_of(PHONE, script=False)
    driver.get(at.base)
    assert len(driver.find_elements(By.CSS_SELECTOR, ".line .drawn svg.strip")) == 8
    log_in(driver, at, "/alarm/3")
    find(driver, ".thumb button.main").click()
    until(driver, lambda d: "On its way to the watch." in d.page_source)
    assert asked(live)[-1].body == {"verb": "acknowledge", "alarm": 3}
    driver.get(at.base + "/place/box-1")
    find(driver, ".panel summary").click()
    assert find(driver, ".panel tbody tr").is_displayed()


def test_values_refresh_without_reloading(browser_of: Opener, at: Served, live: Night) -> None:
    """A new round appears on the open page; nothing is loaded anew."""
    driver = browser_of(LAPTOP)
    driver.get(at.base)
    driver.execute_script("window.kept = 'yes'")
    beat(live, 30.4)
    until(driver, lambda d: "30.4°" in find(d, ".sheet").text, 25)
    assert driver.execute_script("return window.kept") == "yes"


def test_a_stale_page_says_so(browser_of: Opener, at: Served) -> None:
    """When the page process is gone the open page says that it is stale."""
    driver = browser_of(PHONE)
    driver.get(at.base)
    assert not find(driver, "#stale").is_displayed()
    at.process.terminate()
    at.process.wait(10)
    until(driver, lambda d: find(d, "#stale").is_displayed(), 25)
    assert "stale" in find(driver, "#stale").text
    driver.get_log("browser")  # type: ignore[no-untyped-call]


def test_the_keyboard_reaches_everything(browser_of: Opener, at: Served) -> None:
    """By the tab key every link, button and curve is reached, each with a visible focus."""
    driver = browser_of(LAPTOP)
    driver.get(at.base + "/place/box-1")
    wanted = driver.execute_script(
        "return [...document.querySelectorAll('a,button,summary,input:not([type=hidden]),.zoom')]"
        ".filter(e => e.checkVisibility()).length"
    )
    reached = 0
    for _ in range(wanted + 5):
        driver.switch_to.active_element.send_keys(Keys.TAB)
        outline = driver.execute_script(
            "const e = document.activeElement;"
            "return e === document.body ? '' : getComputedStyle(e).outlineStyle"
        )
        if outline == "":
            break
        assert outline != "none"
        reached += 1
    assert reached >= wanted


def test_it_prints(browser_of: Opener, at: Served) -> None:
    """On paper there are curves and sentences, and neither buttons nor navigation; it is light."""
    driver = browser_of(LAPTOP, dark=True)
    driver.get(at.base)
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    assert not find(driver, "body > nav").is_displayed()
    assert not find(driver, ".answers").is_displayed()
    assert find(driver, ".drawn svg").is_displayed()
    paper = driver.execute_script("return getComputedStyle(document.documentElement).backgroundColor")
    assert paper == "rgb(250, 248, 241)"
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
