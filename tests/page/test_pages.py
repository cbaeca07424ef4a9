"""What the pages say, read from a real logbook; and that no input makes them fail."""

import csv
import io
import re
from collections.abc import Callable
from urllib.parse import quote, urlencode

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.logbook import Archive, Logbook
from daemon.page.views import PAGES
from daemon.record import AlarmRow, Batch, Entered, Kind
from rules.events import AlarmKey
from rules.plan import Priority
from rules.reading import HOUR, MINUTE
from tests.kit.night import NOW, Night, later
from tests.page.conftest import Page


def order_on(text: str, words: list[str]) -> list[str]:
    """Give those words in the order in which they stand in a text."""
    return sorted(words, key=text.index)


def test_the_sheet_is_in_order_of_concern(page: Page) -> None:
    """High before medium, unanswered before seen, seen before over, over before calm."""
    text = page.text("/")
    names = ["box-1", "enclosure-3", "incubator-2", "box-5", "box-4"]
    assert order_on(text, [f">{name}</a>" for name in names]) == [f">{name}</a>" for name in names]
    assert "Two places want you" in text
    assert "Last round 5 s ago" in text


def test_what_wants_you_speaks(page: Page) -> None:
    """An open alarm has its sentence, its advice, and both answers; a seen one only quiet."""
    text = page.text("/")
    assert "Drying out since 23:10" in text
    assert "Seal and water tray first." in text
    assert text.count("I have seen it</button>") == 2
    assert text.count("Quiet for…</summary>") == 3


def test_a_watch_that_does_not_run_is_said_first(page_of: Callable[..., Page]) -> None:
    """A minute without a round is the first thing on every page."""
    page = page_of(after=3 * HOUR)
    for path in ("/", "/place/box-1", "/alarms", "/alarm/1", "/sensors"):
        main = page.text(path).partition("<main")[2]
        assert main.index("The watch is not running.") < main.index("<h1")
    assert "not running" not in page_of().client.get("/").text


def test_an_empty_room_is_said(night: Night, page_of: Callable[..., Page]) -> None:
    """Before the watch ever ran the page says so, instead of failing."""
    for file in night.folder.iterdir():
        file.unlink()
    answer = page_of().client.get("/")
    assert answer.status_code == 503
    assert "Nothing is recorded yet" in answer.text


def test_a_place_shows_curves_statistics_and_a_table(page: Page) -> None:
    """Both quantities, dew point, spans, shares, alarms; and every hour as a row of words."""
    text = page.text("/place/incubator-2")
    for words in (
        "temperature · air",
        "humidity · air",
        "dew point",
        "ideal 28.5 to 31.0 °C",
        "in ideal",
        "covered",
    ):
        assert words in text
    assert "below ideal" in text
    assert text.count('<th scope="row">') >= 20
    assert 'class="under cone"' in text


@pytest.mark.parametrize("window", ["6h", "24h", "7d", "season", "nights"])
def test_windows_of_a_place(page: Page, window: str) -> None:
    """Each window that is offered is answered and is the one that is marked."""
    answer = page.client.get(f"/place/box-1?window={window}")
    assert answer.status_code == 200
    assert re.search(rf'window={window}" aria-current="true"', answer.text)


def test_zoom_answers_the_window(page: Page) -> None:
    """A dragged window is answered as it was asked, with its own statistics."""
    text = page.text(f"/place/box-5?from={NOW - 6 * HOUR}&to={NOW - 4 * HOUR}")
    assert "From 01:00 till 03:00." in text
    assert re.search(r"highest</dt><dd>32\.\d °C", text)


def test_the_read_out_knows_the_spike(page: Page) -> None:
    """Points under the finger carry instants and words, and the night's highest is among them."""
    ask = {"sensor": "box-5-sensor", "quantity": "temperature"}
    rows = page.client.get("/place/box-5/points?" + urlencode(ask)).json()
    assert 200 < len(rows) < 2_500
    assert all(len(row) == 3 for row in rows)
    assert any("32." in row[2] for row in rows)


def test_a_window_as_csv(page: Page) -> None:
    """Every reading of the window, corrected, with local time and offset; no formula."""
    start, end = NOW - HOUR, NOW
    answer = page.client.get(f"/place/box-4.csv?from={start}&to={end}")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert "attachment" in answer.headers["content-disposition"]
    assert {row["quantity"] for row in rows} == {"temperature", "humidity"}
    assert len([row for row in rows if row["quantity"] == "temperature"]) == 120
    assert rows[0]["time"].startswith("2026-11-25T06:00:00")


def test_nights_are_stepped_through(page: Page) -> None:
    """The night before is offered, answered, and leads back."""
    text = page.text("/")
    assert "/?night=2026-11-23" in text
    before = page.text("/?night=2026-11-23")
    assert "the night of 23 November" in before
    assert "/?night=2026-11-24" in before


def test_an_alarm_has_its_button_and_its_life(page: Page) -> None:
    """The page that an alert opens: what, since when, and the button."""
    text = page.text("/alarm/1")
    assert "box-1</a>: drying out" in text
    assert "Raised 01:36, wrong since 23:12." in text
    assert "I have seen it</button>" in text
    seen = page.text("/alarm/2")
    assert "seen 05:00 by first" in seen
    assert "I have seen it</button>" not in seen


def test_an_acknowledged_alarm_that_gets_worse_asks_again(page: Page, night: Night) -> None:
    """When its acknowledgement has fallen the button is back, on sheet and alarm."""
    with Logbook.open(night.folder) as book, Archive.open(night.folder) as archive:
        row = archive.alarm(2)
        assert row is not None
        worse = later(row, acknowledged=None, acknowledged_by="", priority=Priority.HIGH)
        book.commit([Batch(NOW, alarms=(worse,), urgent=True)])
    assert "I have seen it</button>" in page.text("/alarm/2")
    assert "Three places want you" in page.text("/")


def test_what_became_of_an_order_is_said_with_an_undo(page: Page, night: Night) -> None:
    """After an order the page says what was said, the watch's answer, and offers to take it back."""
    page.login()
    data = {"verb": "shelve", "alarm": "1", "for": "20 min", "reason": "cleaning", "next": "/"}
    with_script = page.client.post("/orders", data=data)
    assert "On its way to the watch." in with_script.text
    assert "data-waits" in with_script.text
    assert ">Undo</button>" in with_script.text
    with Archive.open(night.folder) as archive:
        (asked,) = archive.orders()
    assert asked.body == {"verb": "shelve", "alarm": 1, "for_ms": 20 * MINUTE, "reason": "cleaning"}


def test_shelving_until_morning_ends_at_the_rooms_day(page: Page, night: Night) -> None:
    """At 07:00:05 morning is tomorrow at seven."""
    page.login()
    page.client.post("/orders", data={"verb": "shelve", "alarm": "1", "for": "morning", "next": "/"})
    with Archive.open(night.folder) as archive:
        (asked,) = archive.orders()
    assert asked.body["for_ms"] == 24 * HOUR - 5_000


def test_a_place_out_of_service_is_not_judged(page: Page, night: Night) -> None:
    """Once the watch took the order, the sheet and the place say so and offer the way back."""
    body = {
        "verb": "service",
        "place": "box-4",
        "in": False,
        "engine": {"verb": "out of service", "place": "box-4"},
    }
    with Logbook.open(night.folder) as book:
        book.commit([Batch(NOW, journal=(Entered(NOW, Kind.ORDER, body),))])
    assert "out of service" in page.text("/")
    text = page.text("/place/box-4")
    assert "Put into service</button>" in text
    assert "taken out of service, by a keeper" in text


def test_an_alarm_of_the_watch_itself_is_shown(page: Page, night: Night) -> None:
    """An alarm that belongs to no place of the keeper still wants someone, without a curve."""
    own = AlarmRow(
        9, AlarmKey("watch", "", "watch/disk", "nearly full"), Priority.HIGH, NOW, NOW, words="nearly full"
    )
    with Logbook.open(night.folder) as book:
        book.commit([Batch(NOW, alarms=(own,), urgent=True)])
    assert "Nearly full" in page.text("/")
    assert page.client.get("/alarm/9").status_code == 200


def test_sensors_that_are_silent_come_first(page: Page) -> None:
    """What is wrong with a sensor is said in words, at the top."""
    text = page.text("/sensors")
    assert text.index("enclosure-3-sensor") < text.index("box-1-sensor")
    assert "something is wrong with one of them" in text


def test_fahrenheit_everywhere(night: Night, page_of: Callable[..., Page]) -> None:
    """With show = "F" no page says °C."""
    night.config.write_text(night.config.read_text().replace('show = "C"', 'show = "F"'))
    page = page_of()
    for path in ("/place/incubator-2", "/sensors"):
        text = page.text(path)
        assert "°F" in text
        assert "°C" not in text.replace("26.1 °C", "").replace("29.6 °C", "")


def test_every_term_has_a_plain_sentence(page: Page) -> None:
    """The words of the trade that a keeper meets are on the page of words."""
    text = page.text("/help")
    for term in ("acknowledge", "shelve", "suppressed", "deadband", "out of service", "dew point"):
        assert f"<dt>{term}</dt>" in text


def test_pages_are_sent_compressed(page: Page) -> None:
    """The sheet goes out by gzip and is small."""
    answer = page.client.get("/", headers={"accept-encoding": "gzip"})
    assert answer.headers["content-encoding"] == "gzip"
    assert int(answer.headers["content-length"]) < 60_000


def test_nothing_comes_from_elsewhere(page: Page) -> None:
    """No page names another address to load from; no inline script or style."""
    for path in ("/", "/place/box-1", "/alarms", "/alarm/1", "/sensors", "/clutches", "/help", "/login"):
        text = page.text(path)
        for address in re.findall(r'(?:src|href|action)="([^"]*)"', text):
            assert address.startswith(("/", "#")), address
        assert " style=" not in text
        assert "<style" not in text
        assert not re.search(r"<script(?! src)", text)


ODD = st.one_of(
    st.text(max_size=40),
    st.integers(-(10**20), 10**20).map(str),
    st.sampled_from(["NaN", "-0", "1e309", "9" * 400, "\x00", "../../etc", "%00", "'; --", "box-1", "<b>"]),
)
KEYS = st.sampled_from(["from", "to", "window", "night", "sensor", "quantity", "done", "next", "x"])


@given(path=st.sampled_from(sorted(PAGES)), part=ODD, query=st.lists(st.tuples(KEYS, ODD), max_size=5))
@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_address_makes_a_page_fail(page: Page, path: str, part: str, query: list[tuple[str, str]]) -> None:
    """Any place, number and query are answered, never with a server error."""
    filled = path.replace("{place}", quote(part, safe="") or "-").replace(
        "{number}", quote(part, safe="") or "-"
    )
    encoded = urlencode([(k, v.encode("utf-8", "replace")) for k, v in query])
    answer = page.client.get(f"{filled}?{encoded}")
    assert answer.status_code in {200, 404}


FORM = st.dictionaries(
    st.sampled_from(
        ["verb", "alarm", "order", "for", "reason", "text", "label", "place", "in", "next", "clutch", "z"]
    ),
    ODD
    | st.sampled_from(["acknowledge", "shelve", "note", "label", "service", "undo", "egg", "1", "20 min"]),
    max_size=6,
)


@given(form=FORM, path=st.sampled_from(["/orders", "/login"]))
@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_form_makes_a_page_fail(page: Page, form: dict[str, str], path: str) -> None:
    """Any form is an order, or is refused with a reason."""
    if not page.client.cookies.get("ovigil-login"):
        page.login()
    sent = {k: v.encode("utf-8", "replace").decode() for k, v in form.items()}
    answer = page.client.post(path, data=sent, follow_redirects=False)
    assert answer.status_code in {303, 400, 401, 429}


@given(
    body=st.binary(max_size=300),
    kind=st.sampled_from(["application/x-www-form-urlencoded", "", "a/b", "\xff"]),
)
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_bytes_make_a_page_fail(page: Page, body: bytes, kind: str) -> None:
    """Any bytes as a body are refused, or an order."""
    if not page.client.cookies.get("ovigil-login"):
        page.login()
    answer = page.client.post("/orders", content=body, headers={"content-type": kind.encode("latin-1")})
    assert answer.status_code < 500


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "HEAD", "POST"])
def test_other_methods_are_refused(page: Page, method: str) -> None:
    """A page that is read takes no other method."""
    assert page.client.request(method, "/alarms").status_code in {200, 400, 405} - (
        {200} if method != "HEAD" else set()
    )


def test_what_an_egg_feels_is_drawn_where_it_lags(page: Page) -> None:
    """A box whose sensor hangs in the air shows the egg's temperature too; one in substrate does not."""
    assert '<span class="felt">egg temperature</span>' in page.text("/place/box-4")
    assert "egg temperature" not in page.text("/place/box-8")
