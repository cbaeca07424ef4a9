"""The pages of the clutches: what is due first, windows not dates, orders of the egg log, readiness."""

import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from daemon.logbook import Archive
from daemon.orders import OrderError
from daemon.page.app import build
from daemon.page.clutch_drawing import COLUMNS, HEIGHT, Growth, draw_growth
from daemon.page.clutches import egg_order
from daemon.page.desk import PageDesk
from daemon.page.following import Following
from daemon.page.settings import opened
from rules.reading import DAY
from tests.kit.clutchroom import ClutchRoom, entry_of, take_orders, write_clutch_room
from tests.page.conftest import Page

NOW = 1_795_600_000_000


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> ClutchRoom:
    """Write a season that tests only read."""
    return write_clutch_room(tmp_path_factory.mktemp("clutches"), NOW)


@pytest.fixture
def page_on(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[ClutchRoom], Page]]:
    """Give what makes a page of such a room, five seconds after its newest round."""
    desks: list[PageDesk] = []

    def make(room: ClutchRoom) -> Page:
        given = opened(room.config, {})
        desk = PageDesk(given.room, lambda: room.now + 5_000, Following(given))
        desks.append(desk)
        passcode = desk.door.fresh_passcode() or ""
        client = TestClient(
            build(desk, "127.0.0.1"), base_url="http://127.0.0.1", raise_server_exceptions=False
        )
        return Page(client, desk, passcode)

    yield make
    for desk in desks:
        desk.close()


def words(html: str) -> str:
    """Give what is read of a page."""
    text = re.sub(r"<(style|script|svg).*?</\1>", " ", html, flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ")


class TestList:
    def test_what_is_due_stands_before_the_clutches(
        self, room: ClutchRoom, page_on: Callable[..., Page]
    ) -> None:
        """Tonight and this week come first: hatching, late candling, the keeper's own reminders."""
        html = page_on(room).client.get("/clutches").text
        said = words(html)
        assert said.index("Tonight") < said.index("This week") < said.index("On the way")
        assert "P-01 is hatching in box-1: 26 h since the first pip, 1 out, 3 eggs left" in said
        assert "Candle F-03: day 7" in said
        assert "Crickets out of the refrigerator" in said
        assert "Turn the spring tails" in said

    def test_a_window_never_one_date(self, room: ClutchRoom, page_on: Callable[..., Page]) -> None:
        """Each clutch with a forecast says between which days; one without says what it needs."""
        said = words(page_on(room).client.get("/clutches").text)
        assert re.search(r"Day 31\. Hatches between \d+ \w+ and \d+ \w+, most likely about \d+ \w+\.", said)
        assert "give one record of your own" in said
        assert "P-04 Paroedura picta · box-4: 2 of 2 hatched" in said

    def test_the_strips_say_it_for_ears(self, room: ClutchRoom, page_on: Callable[..., Page]) -> None:
        """Each strip is a picture with the same sentence as its label."""
        html = page_on(room).client.get("/clutches").text
        assert html.count('class="strip grown plain"') == 4
        assert 'role="img" aria-label="H-02: Day 31.' in html


class TestOne:
    def test_forecast_model_source_cautions(self, room: ClutchRoom, page_on: Callable[..., Page]) -> None:
        """The window's model, source and cautions stand on the clutch's page."""
        said = words(page_on(room).client.get("/clutch/H-02").text)
        assert "Brière curve" in said
        assert "Burger" in said
        assert "It is assumed to go on at the mean of the last 3.0 days" in said
        assert "days have no readings" in said

    def test_sex_only_where_it_is_asked_for(self, room: ClutchRoom, page_on: Callable[..., Page]) -> None:
        """One clutch asks for it and gets it with the caution; the others say nothing."""
        page = page_on(room)
        asked = words(page.client.get("/clutch/E-05").text)
        assert "do not steer the temperature" in asked
        assert "sex" not in words(page.client.get("/clutch/H-02").text).lower()

    def test_the_weight_curve(self, room: ClutchRoom, page_on: Callable[..., Page]) -> None:
        """Two weighings make a curve; none makes none."""
        page = page_on(room)
        assert "weight of an egg" in page.client.get("/clutch/P-04").text
        assert "weight of an egg" not in page.client.get("/clutch/P-01").text

    def test_looked_back(self, room: ClutchRoom, page_on: Callable[..., Page]) -> None:
        """A clutch that is over gives the record for next year."""
        said = words(page_on(room).client.get("/clutch/P-04").text)
        assert re.search(r"record for next year \d+(\.\d)? days at 28\.\d °C", said)

    def test_a_pip_offers_the_stage(self, room: ClutchRoom, page_on: Callable[..., Page]) -> None:
        """After a first pip the page offers the place's change of stage."""
        html = page_on(room).client.get("/clutch/P-01").text
        assert 'name="stage" value="hatching"' in html
        assert "26 h since the first pip" in words(html)

    def test_no_such_clutch(self, room: ClutchRoom, page_on: Callable[..., Page]) -> None:
        """An unknown id is not here."""
        assert page_on(room).client.get("/clutch/X-99").status_code == 404

    def test_fahrenheit(self, tmp_path: Path, page_on: Callable[..., Page]) -> None:
        """In a room that shows °F no °C is left on any of these pages."""
        page = page_on(write_clutch_room(tmp_path, NOW, show="F"))
        for path in ("/clutches", "/clutch/P-01", "/clutch/H-02", "/clutch/E-05", "/season"):
            said = words(page.client.get(path).text)
            assert "°C" not in said, path
            assert "°F" in said or path == "/clutches"


class TestSeason:
    def test_it_is_all_there(self, room: ClutchRoom, page_on: Callable[..., Page]) -> None:
        """Every clutch with its curve, its mean, and predicted beside actual day."""
        html = page_on(room).client.get("/season").text
        assert html.count('class="strip print') == 5
        assert "the model was off by" in html
        assert "degree" not in words(html)
        assert "°C·h" in words(html)


class TestReady:
    def test_ready(self, room: ClutchRoom, page_on: Callable[..., Page]) -> None:
        """An enclosure that was right for two days by day and by night is ready."""
        assert "It is ready" in words(page_on(room).client.get("/place/rearing/ready").text)

    def test_a_place_links_to_it(self, room: ClutchRoom, page_on: Callable[..., Page]) -> None:
        """An enclosure's page asks the question, a box's does not, and a box has no such page."""
        page = page_on(room)
        assert "/place/rearing/ready" in page.client.get("/place/rearing").text
        assert "ready" not in page.client.get("/place/box-1").text
        assert page.client.get("/place/box-1/ready").status_code == 404


class TestOrders:
    def test_one_tap_writes_an_entry_and_offers_undo(
        self, tmp_path: Path, page_on: Callable[..., Page]
    ) -> None:
        """A button of the clutch's page becomes an egg order; once taken, the page offers to undo it."""
        room = write_clutch_room(tmp_path, int(time.time()) * 1000)
        page = page_on(room)
        page.login()
        form = {"verb": "egg", "clutch": "P-01", "count": "2", "deed": "hatched", "next": "/clutch/P-01"}
        answer = page.client.post("/orders", data=form, follow_redirects=False)
        assert answer.status_code == 303
        with Archive.open(room.folder) as archive:
            asked = archive.orders()
        assert asked[0].by == "Ines"
        assert entry_of(asked[0]) == {"deed": "hatched", "count": 2}
        take_orders(room, asked)
        html = page.client.get(answer.headers["location"]).text
        assert "Written into the egg log" in html
        assert ">Undo<" in html
        assert "Day 56" in words(html)
        assert "left 1 " in words(html)

    def test_who_is_not_logged_in_writes_nothing(self, tmp_path: Path, page_on: Callable[..., Page]) -> None:
        """Without a login the order is asked to log in first."""
        room = write_clutch_room(tmp_path, NOW)
        page = page_on(room)
        answer = page.client.post("/orders", data={"verb": "egg", "clutch": "P-01", "deed": "candled"})
        assert answer.status_code == 401
        with Archive.open(room.folder) as archive:
            assert archive.orders() == []

    @pytest.mark.parametrize(
        ("form", "parts"),
        [
            ({"deed": "candled", "count": "3"}, '{"deed":"candled"}'),
            ({"deed": "weighed", "grams": "12,5"}, '{"deed":"weighed","grams":12.5}'),
            (
                {"deed": "moved", "of": "hatchling", "count": "2", "box": "rearing"},
                '{"deed":"moved","box":"rearing","of":"hatchling","count":2}',
            ),
        ],
        ids=["candled all", "weighed", "moved"],
    )
    def test_what_a_form_means(self, form: dict[str, str], parts: str) -> None:
        """Each form becomes one entry; a comma is a decimal point too."""
        assert egg_order({"clutch": "P-01", **form})["entry"] == parts

    @pytest.mark.parametrize(
        "form",
        [
            {"deed": "hatched", "count": "many"},
            {"deed": "weighed", "grams": "heavy"},
            {"deed": "weighed", "grams": "nan"},
        ],
    )
    def test_what_means_nothing(self, form: dict[str, str]) -> None:
        """What is no number is refused in words."""
        with pytest.raises(OrderError):
            egg_order({"clutch": "P-01", **form})


class TestStrip:
    def test_what_is_drawn(self) -> None:
        """The area rises to the share at today; the window lies where it should on the axis."""
        svg = draw_growth(
            Growth(
                0,
                100 * DAY,
                50 * DAY,
                0,
                [(0, 0.0), (50 * DAY, 0.5)],
                80 * DAY,
                90 * DAY,
                95 * DAY,
                [],
                (),
                "a < b",
            )
        )
        assert f"M{0.8 * COLUMNS:.1f} 0H{0.95 * COLUMNS:.1f}V{HEIGHT}" in svg
        assert "a &lt; b" in svg
        assert 'class="now"' in svg

    def test_nothing_known(self) -> None:
        """Without a forecast there is today and the line since laying, and no window."""
        svg = draw_growth(Growth(0, 100, 50, 10))
        assert "ideal" not in svg
        assert 'class="since"' in svg


def test_the_page_needs_no_settings_library() -> None:
    """The page's process stays small: neither clutches nor readiness bring the settings library in."""
    code = "import sys, daemon.page.app; sys.exit(any(m.startswith('pydantic') for m in sys.modules))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
