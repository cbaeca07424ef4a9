"""Readings out, and in again."""

import csv
import io
import json
from pathlib import Path

import pytest

from daemon.csvfile import CsvForm, CsvReading, parse
from daemon.exporting import COLUMNS, export_rows, iso, safe, write_csv, write_json
from daemon.logbook import Archive, Logbook
from daemon.record import Batch, Entry
from rules.reading import DAY, Quality, Quantity
from tests.kit.logbooks import BASE, H, entry, facts, recorded

WHERE = {"box-1": ("box-1", "air")}


def corrected(_sensor: str, quantity: Quantity, raw: float, _at: int) -> float:
    """Take 0.3 off temperatures."""
    return round(raw - 0.3, 3) if quantity is Quantity.TEMPERATURE else raw


def written(folder: Path, out: io.StringIO, writer: object = write_csv) -> int:
    """Export a whole logbook."""
    with Archive.open(folder) as archive:
        rows = export_rows(archive, (0, 2**60), where=WHERE, corrected=corrected)
        count: int = writer(rows, out)  # type: ignore[operator]
    return count


class TestExport:
    def test_every_reading_is_a_row_in_order_of_its_instant(self, tmp_path: Path) -> None:
        """Raw and corrected value, quality in words, place and spot; UTC by the boot's label."""
        with Logbook.open(tmp_path) as logbook:
            logbook.note_boot("b", BASE, 1000, trusted=True)
            bad = entry(raw=float("nan"), at=DAY, quality=Quality.NOT_A_NUMBER)
            logbook.commit([Batch(BASE, (entry(), entry(quantity=H, raw=80.0), bad))])
        out = io.StringIO()
        count = written(tmp_path, out)
        rows = list(csv.DictReader(io.StringIO(out.getvalue())))

        assert count == 3
        assert list(COLUMNS) == list(rows[0])
        assert [row["quantity"] for row in rows] == ["humidity", "temperature", "temperature"]
        assert tuple(rows[1][c] for c in ("value", "raw", "quality", "spot")) == (
            "28.2",
            "28.5",
            "good",
            "air",
        )
        assert tuple(rows[2][c] for c in ("value", "raw", "quality")) == ("", "", "not a number")
        assert iso(BASE + 1000) == rows[0]["time"]

    def test_json_is_one_object(self, tmp_path: Path) -> None:
        """The JSON parses, with null where there is no value; an empty logbook is an empty list."""
        with Logbook.open(tmp_path) as logbook:
            empty = io.StringIO()
            assert written(tmp_path, empty, write_json) == 0
            logbook.commit([Batch(BASE, (entry(raw=float("nan"), quality=Quality.NOT_A_NUMBER), entry()))])
        out = io.StringIO()
        written(tmp_path, out, write_json)

        assert json.loads(empty.getvalue()) == {"readings": []}
        assert [row["raw"] for row in json.loads(out.getvalue())["readings"]] == [None, 28.5]

    @pytest.mark.parametrize("text", ["=1+1", "+x", "-x", "@x", "\tx"])
    def test_no_text_becomes_a_formula(self, text: str) -> None:
        """A spreadsheet takes it for text."""
        assert safe(text) == "'" + text

    def test_an_export_can_be_imported_by_its_raw_column(self, tmp_path: Path) -> None:
        """Out and in again gives the same readings in another logbook; a second time changes nothing."""
        recorded(tmp_path / "a", 2, 300)
        out = io.StringIO()
        written(tmp_path / "a", out)
        read = list(parse(io.BytesIO(out.getvalue().encode()), CsvForm(value="raw")))
        entries = [
            Entry(one.sensor, one.quantity, one.value, one.wall, one.wall, Quality.IMPORTED)
            for one in read
            if isinstance(one, CsvReading)
        ]
        with Logbook.open(tmp_path / "b") as logbook, Archive.open(tmp_path / "b") as archive:
            first, second = logbook.import_pages(entries), logbook.import_pages(entries)
            found = [facts(e)[:4] for e in archive.replay(0, 2**60)]
            assert archive.verify() == []
        with Archive.open(tmp_path / "a") as archive:
            assert [facts(e)[:4] for e in archive.replay(0, 2**60)] == found

        assert (first.stored, first.known) == (600, 0)
        assert (second.stored, second.known) == (0, 600)

    def test_a_stamp_with_two_values_keeps_both_and_lists_the_second(self, tmp_path: Path) -> None:
        """Both are in the page in order of the file."""
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            done = logbook.import_pages([entry(raw=20.0), entry(raw=21.0), entry(raw=20.0)])
            values = [e.raw for e in archive.replay(0, 2**60)]

        assert (done.stored, done.known, [e.raw for e in done.twice]) == (2, 1, [21.0])
        assert values == [20.0, 21.0]
