"""The page beside a real watch: what a keeper answers is heard, and the page tells it.

Watch, broker and page are the real processes; the page only writes orders, the watch
takes them, and what comes of them is read from the logbook.
"""

import re
import time
from collections.abc import Iterator
from dataclasses import dataclass

import httpx
import pytest

from daemon.record import AlarmRow
from tests.kit.broker import Broker, until
from tests.kit.watch import Feeder, Layout, LiveWatch
from tests.page.conftest import end_page, start_page

pytestmark = pytest.mark.timeout(90)

ADDRESS = "http://cellar.lan:8300"
MORE = f'\n[page]\naddress = "{ADDRESS}"\n'


@dataclass
class Bedside:
    """A phone that is logged in, beside a watch with an open alarm."""

    watch: LiveWatch
    feeder: Feeder
    client: httpx.Client

    @property
    def row(self) -> AlarmRow:
        """The alarm as it is recorded."""
        (found,) = self.watch.alarms("too cool")
        return found

    def text(self, path: str) -> str:
        """Read a page."""
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.text.replace("\N{NO-BREAK SPACE}", " ")

    def give(self, **form: str) -> str:
        """Give an order as the page's form does; return the address it leads back to."""
        answer = self.client.post("/orders", data={"next": f"/alarm/{self.row.number}", **form})
        assert answer.status_code == 303, answer.text
        return answer.headers["location"]

    def answered(self, back: str) -> str:
        """Wait for the watch's answer on the page; give its words."""
        deadline = time.monotonic() + 10
        while time.monotonic() < deadline:
            text = self.text(back)
            said = re.search(r'class="done".*?<span>(.*?)</span>', text)
            if said and "data-waits" not in text:
                return said[1]
            time.sleep(0.1)
        raise AssertionError("the watch did not answer")

    def sees(self, path: str, *words: str) -> None:
        """Wait until a page says all of some words."""
        until(lambda: all(word in self.text(path) for word in words), f"{path} says {words}", 10)


@pytest.fixture(scope="module")
def bedside(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bedside]:
    """Give a phone beside a watch whose box has left its safe range."""
    folder = tmp_path_factory.mktemp("live")
    layout = Layout(sensors=1, contacts={"first": "json://127.0.0.1:9/"}, commit="1 s", more=MORE)
    with (
        Broker(folder / "broker") as broker,
        LiveWatch(folder / "room", layout, broker) as watch,
        Feeder(watch) as feeder,
    ):
        served = start_page(watch.config)
        try:
            until(lambda: len(watch.entries()) > 10, "readings are recorded", 20)
            with httpx.Client(base_url=served.base, timeout=10) as client:
                yield _logged_in(watch, feeder, client, served.passcode)
        finally:
            end_page(served)


def _logged_in(watch: LiveWatch, feeder: Feeder, client: httpx.Client, passcode: str) -> Bedside:
    """Let the room cool until there is an alarm; log a phone in."""
    feeder.celsius = 20.0
    until(lambda: bool(watch.alarms("too cool")), "an alarm is raised", 20)
    answer = client.post("/login", data={"by": "Ines", "passcode": passcode})
    assert answer.status_code == 303
    return Bedside(watch, feeder, client)


def test_the_link_of_an_alert_opens_its_alarm(bedside: Bedside) -> None:
    """The address in the alert's text is the alarm's page, with the button and the curve."""
    until(lambda: bool(_alerts(bedside)), "the alert is written", 10)
    found = re.search(re.escape(ADDRESS) + r"(/alarm/\d+)", _alerts(bedside)[0])
    assert found
    text = bedside.text(found[1])
    assert "box-0" in text
    assert 'class="strip print' in text


def _alerts(bedside: Bedside) -> list[str]:
    with bedside.watch.archive() as archive:
        return [alert.text for alert in archive.outbox() if bedside.row.number in alert.alarms]


def test_seen_and_taken_back(bedside: Bedside) -> None:
    """One tap is answered within seconds, stands under the name on every page, and can be undone."""
    number = bedside.row.number
    assert "I have seen it</button>" in bedside.text(f"/alarm/{number}")
    back = bedside.give(verb="acknowledge", alarm=str(number))
    assert "Seen." in bedside.answered(back)
    assert bedside.row.acknowledged_by == "Ines"
    for path in (f"/alarm/{number}", "/alarms", "/"):
        bedside.sees(path, "by Ines")
        assert "I have seen it</button>" not in bedside.text(path)
    order = re.search(r"done=(\d+)", back)
    assert order
    bedside.answered(bedside.give(verb="undo", order=order[1]))
    assert bedside.row.acknowledged is None
    assert "I have seen it</button>" in bedside.text("/")


def test_quiet_for_a_while_and_no_longer(bedside: Bedside) -> None:
    """Shelved with a reason it says until when; then it wants someone again."""
    number = str(bedside.row.number)
    said = bedside.answered(bedside.give(verb="shelve", alarm=number, reason="cleaning", **{"for": "20 min"}))
    assert "Quiet until" in said
    assert bedside.row.shelved_until
    bedside.sees(f"/alarm/{number}", "quiet until", "made quiet: cleaning, by Ines")
    bedside.answered(bedside.give(verb="unshelve", alarm=number))
    assert not bedside.row.shelved_until


def test_a_label_and_a_note_stay(bedside: Bedside) -> None:
    """What it was, and what a keeper noted, stand on the alarm's page with name and time."""
    number = str(bedside.row.number)
    bedside.answered(bedside.give(verb="label", alarm=number, label="known work"))
    assert bedside.row.label == "known work"
    back = bedside.give(verb="note", alarm=number, text="the lid <was> open")
    bedside.answered(back)
    bedside.sees(f"/alarm/{number}", "So far: known work", "noted: the lid &lt;was&gt; open, by Ines")
    bedside.answered(bedside.give(verb="undo", order=back.rpartition("done=")[2]))
    bedside.sees(f"/alarm/{number}", "the lid &lt;was&gt; open, by Ines, taken back")


def test_what_cannot_be_done_is_said(bedside: Bedside) -> None:
    """An order that the watch refuses comes back with its reason and without an undo."""
    back = bedside.give(verb="acknowledge", alarm="987654")
    assert "there is no alarm 987654" in bedside.answered(back)
    assert ">Undo<" not in bedside.text(back)


def test_out_of_service_and_back(bedside: Bedside) -> None:
    """A place out of service is not judged and says so; it comes back by the same button."""
    back = bedside.give(verb="service", place="box-0", **{"in": "no"})
    bedside.answered(back)
    bedside.sees("/place/box-0", "Put into service", "taken out of service, by Ines")
    bedside.sees("/", "out of service")
    bedside.answered(bedside.give(verb="service", place="box-0", **{"in": "yes"}))
    bedside.sees("/place/box-0", "Take out of service")


def test_warm_again_is_right_again(bedside: Bedside) -> None:
    """When the box is warm again its alarm is over on the page, and nothing wants anyone."""
    number = bedside.row.number
    bedside.feeder.celsius = 29.5
    bedside.sees(f"/alarm/{number}", "right again")
    until(lambda: not bedside.watch.alarms("too cool", open_only=True), "the alarm is over", 15)
    bedside.sees("/alarms", "Nothing is wrong now")
