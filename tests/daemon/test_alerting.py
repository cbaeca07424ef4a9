"""Messages that a sleepy keeper understands."""

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.alerting import (
    HEAT_CAUTION,
    MAINS_CAUTION,
    TEXT,
    TITLE,
    Facts,
    away_title,
    grouped,
    morning_title,
    report_alert,
    shortened,
    trial_alert,
    unrecorded,
    worded,
)
from daemon.record import Alert
from daemon.texts import Speaker
from rules.events import AlarmKey, Notice, Told, Tone
from rules.plan import Priority
from rules.reading import HOUR, MINUTE, Quantity
from rules.span import Span
from rules.words import Degrees, Instant, Lasting

NOW = int(datetime(2026, 11, 24, 4, 30, tzinfo=UTC).timestamp() * 1000)
SPEAKER = Speaker(zone=ZoneInfo("Europe/Lisbon"), offset=0, now=NOW)
WARM = AlarmKey("box-2", "substrate", "temperature", "too warm")
FACTS = Facts(
    number=17,
    key=WARM,
    priority=Priority.HIGH,
    since=NOW - 20 * MINUTE,
    reason=("34.1 °C for ", Lasting(3 * MINUTE)),
    advice=("open the lid a finger wide.",),
    value=34.1,
    quantity=Quantity.TEMPERATURE,
    span=Span(26, 33),
    own_advice="key of the cellar hangs by the door",
)


def notice(*told: Told) -> Notice:
    """Make a notice to the first contact."""
    return Notice(NOW, "first", Priority.HIGH, told)


def told(tone: Tone = Tone.RAISED, key: AlarmKey = WARM, explains: tuple[AlarmKey, ...] = ()) -> Told:
    """Make one part of a notice."""
    return Told(key, NOW - 5 * MINUTE, Priority.HIGH, tone, explains)


class TestOneAlarm:
    def test_it_tells_all_that_a_keeper_needs(self):
        """Place, trouble, value and range, since when, what to try, caution, number and link."""
        alert = worded(notice(told()), lambda _key, _raised: FACTS, SPEAKER, "http://cellar.lan:8300/")

        assert alert.title == "box-2, substrate too warm, 34.1 °C"
        assert alert.text.splitlines() == [
            "box-2, substrate too warm: 34.1 °C for 3 min.",
            "Safe is 26.0 to 33.0 °C.",
            "Since 04:10 (20 min).",
            "Try: open the lid a finger wide.",
            "Your note: key of the cellar hangs by the door",
            HEAT_CAUTION,
            "alarm 17, high priority",
            "http://cellar.lan:8300/alarm/17",
        ]
        assert (alert.contact, alert.priority, alert.alarms, alert.tone) == (
            "first",
            Priority.HIGH,
            (17,),
            "raised",
        )

    @pytest.mark.parametrize(
        ("tone", "opening"),
        [
            (Tone.RAISED, "box-2"),
            (Tone.WORSE, "Worse: box-2"),
            (Tone.REPEAT, "Still: box-2"),
            (Tone.ESCALATION, "Nobody answered: box-2"),
            (Tone.RIGHT_AGAIN, "Right again: box-2"),
        ],
        ids=str,
    )
    def test_each_tone_opens_in_its_own_words(self, tone, opening):
        """Title and text say at once why they came."""
        facts = replace(FACTS, cleared=NOW if tone is Tone.RIGHT_AGAIN else None)
        alert = worded(notice(told(tone)), lambda _key, _raised: facts, SPEAKER)

        assert alert.title.startswith(opening)
        assert alert.text.startswith(opening)
        assert "alarm 17" in alert.text
        assert alert.tone == tone.value

    def test_fahrenheit_reaches_value_and_range(self):
        """A room that shows °F gets °F throughout."""
        facts = replace(FACTS, reason=(Degrees(34.1), " is too much"))
        alert = worded(notice(told()), lambda _key, _raised: facts, replace(SPEAKER, show="F"))

        assert "93.4 °F" in alert.title
        assert "Safe is 78.8 to 91.4 °F" in alert.text
        assert "°C" not in alert.text

    @pytest.mark.parametrize(
        ("key", "caution"),
        [
            (WARM, HEAT_CAUTION),
            (WARM._replace(rule="too cool"), MAINS_CAUTION),
            (AlarmKey("room", "air", "mains", "mains lost"), MAINS_CAUTION),
            (WARM._replace(subject="humidity", rule="too dry"), None),
        ],
        ids=["warm", "cool", "mains", "dry"],
    )
    def test_a_caution_stands_where_acting_can_hurt(self, key, caution):
        """Heat and mains get their caution, and nothing else does."""
        text = worded(notice(told()), lambda _k, _r: replace(FACTS, key=key), SPEAKER).text

        assert [line for line in (HEAT_CAUTION, MAINS_CAUTION) if line in text] == (
            [caution] if caution else []
        )

    def test_an_alarm_that_nobody_knows_is_told_all_the_same(self):
        """Without facts, place and rule are still said."""
        alert = worded(notice(told()), lambda _key, _raised: None, SPEAKER)

        assert alert.title == "box-2, substrate too warm"
        assert alert.alarms == ()

    def test_a_sensor_is_named_with_its_fault(self):
        """Where the sensor is wrong its name stands beside the rule."""
        key = AlarmKey("box-2", "air", "feeler-7", "silent")
        facts = Facts(3, key, Priority.MEDIUM, NOW - HOUR)

        assert worded(notice(told(key=key)), lambda _k, _r: facts, SPEAKER).title == "box-2 feeler-7 silent"

    def test_nothing_is_said_twice(self):
        """What the rule's own reason and advice have said is not repeated."""
        facts = replace(
            FACTS,
            reason=(
                Degrees(34.1),
                " (substrate), safe is up to ",
                Degrees(33.0),
                "; since ",
                Instant(FACTS.since),
            ),
            advice=("look at the thermostat and its cut-out.",),
            own_advice="",
        )

        assert worded(notice(told()), lambda _key, _raised: facts, SPEAKER).text.splitlines() == [
            "box-2, substrate too warm: 34.1 °C (substrate), safe is up to 33.0 °C; since 04:10.",
            "For 20 min.",
            "Try: look at the thermostat and its cut-out.",
            "alarm 17, high priority",
        ]

    def test_an_organ_of_the_watch_is_named(self):
        """A contact that cannot be reached is named in the title to the others."""
        key = AlarmKey("watch", "", "watch/delivery/first", "cannot tell")
        facts = Facts(4, key, Priority.HIGH, NOW)

        assert (
            worded(notice(told(key=key)), lambda _k, _r: facts, SPEAKER).title == "watch cannot tell (first)"
        )


class TestManyAlarms:
    def test_one_cause_is_one_message_with_its_places(self):
        """A power cut names what it explains in one line."""
        mains = AlarmKey("Cellar", "air", "mains", "mains lost")
        boxes = tuple(AlarmKey(f"box-{n}", "air", "temperature", "too cool") for n in range(1, 10))
        facts = {mains: Facts(1, mains, Priority.HIGH, NOW - MINUTE)}
        facts |= {key: Facts(n + 2, key, Priority.MEDIUM, NOW) for n, key in enumerate(boxes[:3])}
        alert = worded(notice(told(key=mains, explains=boxes)), lambda key, _raised: facts.get(key), SPEAKER)

        assert alert.title == "Cellar mains lost (+9 places)"
        assert (
            "This explains: box-1, box-2, box-3, box-4, box-5, box-6 and 3 more (alarms 2, 3 and 4)."
            in alert.text
        )
        assert alert.text.count("\n\n") == 0

    def test_what_left_safe_is_said_in_its_own_words(self):
        """A cause that got worse says what its places are now, gravest ones only, and not by itself."""
        mains = AlarmKey("Cellar", "air", "mains", "mains lost")
        boxes = tuple(AlarmKey(f"box-{n}", "air", "temperature", "too cool") for n in range(1, 9))
        facts = {mains: Facts(1, mains, Priority.HIGH, NOW - HOUR, reason=("No power",))}
        for n, key in enumerate(boxes):
            grave = Priority.HIGH if n else Priority.MEDIUM
            facts[key] = Facts(n + 2, key, grave, NOW, reason=(Degrees(24.0 + n / 10), " (air)"))
        texts = [
            worded(notice(told(tone, mains, boxes)), lambda key, _raised: facts.get(key), SPEAKER).text
            for tone in (Tone.WORSE, Tone.RAISED)
        ]
        assert "Worse: Cellar mains lost: No power.\nbox-2 too cool: 24.1 °C (air).\nbox-3" in texts[0]
        assert "box-1 too cool" not in texts[0]
        assert texts[0].count("too cool: ") == 4
        assert "too cool: " not in texts[1]

    def test_what_ended_before_it_was_said_is_one_line(self):
        """An alarm cleared meanwhile is summed up, not told as news."""
        over = replace(FACTS, number=18, cleared=NOW - MINUTE)
        other = WARM._replace(place="box-9")
        facts = {WARM: FACTS, other: replace(over, key=other)}
        alert = worded(notice(told(), told(key=other)), lambda key, _raised: facts[key], SPEAKER)

        assert (
            "Meanwhile right again: box-9, substrate was too warm (04:10 to 04:29, alarm 18)." in alert.text
        )
        assert alert.alarms == (17, 18)
        alone = worded(notice(told(key=other)), lambda key, _raised: facts[key], SPEAKER)
        assert alone.title == "Meanwhile right again: box-9, substrate"
        assert alone.tone == "right again"

    @given(st.integers(1, 80), st.text(max_size=400))
    def test_every_message_fits_a_phone(self, count, words):
        """However many alarms and however long their words: title and text stay within bounds."""
        facts = replace(FACTS, reason=(words,), own_advice=words)
        parts = [told(key=WARM._replace(place=f"box-{n}")) for n in range(count)]
        alert = worded(notice(*parts), lambda _key, _raised: facts, SPEAKER, "http://cellar.lan:8300")

        assert 0 < len(alert.title) <= TITLE
        assert 0 < len(alert.text) <= TEXT
        assert alert.text.endswith("/alarm/17")


class TestGrouped:
    def _alert(self, number: int, age: int, priority: Priority = Priority.HIGH, **more) -> Alert:
        base = Alert(
            number, NOW - age, "first", priority, f"box-{number} too warm", f"text {number}", (number,)
        )
        return replace(base, **more)

    def test_one_fresh_alert_is_left_as_it_is(self):
        """A single alert that is still true goes out word for word."""
        message = grouped([self._alert(1, MINUTE)], lambda _: None, NOW)

        assert (message.title, message.text) == ("box-1 too warm", "text 1")

    def test_a_late_one_says_its_age(self):
        """What waited is marked with how long."""
        assert grouped([self._alert(1, 2 * HOUR)], lambda _: None, NOW).text == "(This waited 2 h.)\ntext 1"

    def test_only_over_is_one_line(self):
        """All right again: one short message with the numbers."""
        message = grouped([self._alert(1, HOUR), self._alert(2, 2 * HOUR)], lambda _: NOW - 30 * MINUTE, NOW)

        assert message.title == "Meanwhile right again: 2 alarms"
        assert "box-2 too warm (2 h ago, right again 30 min ago, alarm 2)" in message.text

    def test_right_again_itself_is_no_stale_news(self):
        """The good news goes out as it is, though its alarm has ended."""
        alert = self._alert(1, MINUTE, tone="right again")

        assert grouped([alert], lambda _: NOW, NOW).text == "text 1"

    def test_nothing_is_lost_of_a_long_queue(self):
        """A hundred messages become one that fits and says how many it leaves out."""
        message = grouped(
            [self._alert(n, n * MINUTE, text="x" * 500) for n in range(100)], lambda _: None, NOW
        )

        assert len(message.text) <= TEXT
        assert message.title == "100 messages: box-99 too warm"
        assert "more)" in message.text.splitlines()[-1]


class TestOtherMessages:
    def test_a_quiet_morning_is_said(self):
        """All is well is a message of its own, so that silence means trouble."""
        title = morning_title("Cellar", 0, SPEAKER)
        alert = report_alert("first", ["box-1: 28.9 to 30.2 °C"], now=NOW, title=title, address="http://h:1/")

        assert alert.title == "Cellar, Tue 2026-11-24: all is well"
        assert alert.text == "box-1: 28.9 to 30.2 °C\nhttp://h:1"
        assert (alert.tone, alert.priority) == ("report", Priority.LOW)
        assert morning_title("Cellar", 2, SPEAKER).endswith("2 places to look at")

    def test_a_span_without_watch_is_said(self):
        """After a restart the span is named, by age where the clock is not known."""
        since = NOW - 2 * HOUR

        assert away_title("Cellar", since, NOW, SPEAKER) == "Cellar: nobody watched 02:30 to 04:30 (2 h)"
        assert away_title("Cellar", since, NOW, Speaker(now=NOW)) == "Cellar: nobody watched for 2 h"

    def test_a_test_says_that_nothing_is_wrong(self):
        """The marked test cannot be taken for an alarm."""
        alert = trial_alert("first", "Cellar", now=NOW, speaker=SPEAKER)

        assert alert.title == "Test from Cellar: nothing is wrong"
        assert alert.tone == "test"
        assert alert.alarms == ()

    def test_what_is_not_recorded_says_so_once(self):
        """An alert from memory is marked, and marking twice changes nothing."""
        alert = unrecorded(trial_alert("first", "Cellar", now=NOW, speaker=SPEAKER))

        assert alert.text.splitlines()[-1].startswith("Not recorded")
        assert unrecorded(alert) == alert

    @pytest.mark.parametrize("over", [True, False], ids=["over", "open"])
    @pytest.mark.parametrize("count", [1, 2, 40])
    def test_what_is_not_recorded_says_so_in_a_group(self, count, over):
        """Together with others, shortened or over: the message is marked, once, and keeps its length."""
        alerts = [
            replace(trial_alert("first", "Cellar", now=NOW, speaker=SPEAKER), alarms=(n,), text="word " * 60)
            for n in range(count)
        ]
        alerts[-1] = unrecorded(alerts[-1])
        message = grouped(alerts, lambda _: NOW if over else None, NOW)

        assert message.text.count("Not recorded") == 1
        assert len(message.text) <= TEXT

    @given(st.text(), st.integers(10, 80))
    def test_a_title_is_cut_at_its_length(self, text, most):
        """No title is longer than it may be, and a cut is seen."""
        cut = shortened(text, most)

        assert len(cut) <= most
        assert cut == " ".join(text.split()) or cut.endswith("…")
