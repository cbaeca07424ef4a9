"""Any logger's CSV by flags, and what a preview says of it."""

import json
from pathlib import Path

import pytest

from daemon import cli
from daemon.folders import data_folder
from daemon.logbook import Archive
from rules.reading import Quantity
from tests.kit.played import Pen, room_text, written

LOGGER = """\
# Export of the hall logger
Zeit;Temp. innen;Feuchte;Batterie
12.01.2024 08:00;24,5;61;2,9
12.01.2024 08:10;24,7;---;2,9
12.01.2024 08:20;aus;62;2,9
12.01.2024 08:30;25,1;63;2,8
"""

FLAGS = [
    "--time-column=Zeit",
    "--time-format=%d.%m.%Y %H:%M",
    "--zone=Europe/Berlin",
    "--sensor=hall",
    "--column=Temp. innen=temperature",
    "--column=Feuchte=humidity",
    "--separator=;",
    "--decimal=,",
    "--no-value=---",
]


def laid_out(folder: Path) -> tuple[str, str]:
    """Lay out a room with one sensor that comes out of files, and a foreign logger's file."""
    text = room_text(Pen("hall", by="import"), broker=False, contact=False)
    text = text.replace('quantities = ["temperature"]', 'quantities = ["temperature", "humidity"]')
    loaded = written(folder, text)
    file = folder / "hall.csv"
    file.write_text(LOGGER, "utf-8")
    return str(loaded.path), str(file)


class TestForeignFile:
    def test_a_foreign_loggers_file_is_understood(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Columns, format, zone, separator, decimal sign and word for no value are taken from the flags."""
        room, file = laid_out(tmp_path)
        assert cli.main(["import", room, file, *FLAGS, "--json"]) == cli.OK
        report = json.loads(capsys.readouterr().out)
        assert (report["stored"], report["bad_lines"]) == (7, 1)
        with Archive.open(tmp_path / "state") as archive:
            span = archive.span()
            assert span is not None
            entries = archive.readings("hall", Quantity.TEMPERATURE, span[0], span[1] + 1)
            assert [entry.raw for entry in entries] == [24.5, 24.7, 25.1]
            assert archive.labels().wall(entries[0].at) == 1_705_042_800_000

    def test_a_preview_stores_nothing(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """--preview says counts, extremes, the first rows and the bad lines; there is no logbook after it."""
        room, file = laid_out(tmp_path)
        assert cli.main(["import", room, file, *FLAGS, "--preview"]) == cli.OK
        said = capsys.readouterr().out
        assert (
            "hall temperature: 3 readings, 2024-01-12 07:00:00 to 2024-01-12 07:30:00, 24.5 °C to 25.1 °C"
            in said
        )
        assert "line 5: 'aus' is no number; would be passed over" in said
        assert "hall humidity: 4 readings" in said
        assert "1 without a value" in said
        assert not (tmp_path / "state").exists()

    def test_a_preview_as_json(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """The same as JSON: UTC, °C, percent, null where there was no value."""
        room, file = laid_out(tmp_path)
        assert cli.main(["import", room, file, *FLAGS, "--preview", "--json"]) == cli.OK
        found = json.loads(capsys.readouterr().out)
        assert found["stored"] == 0
        assert found["first"][0] == {
            "line": 3,
            "time": "2024-01-12T07:00:00Z",
            "sensor": "hall",
            "quantity": "temperature",
            "value": 24.5,
        }
        assert found["first"][3]["value"] is None
        assert found["bad"] == [{"line": 5, "reason": "'aus' is no number"}]
        assert found["curves"][1]["without_value"] == 1

    def test_a_sensor_that_is_not_in_the_settings_is_said_before_anything_is_stored(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """The preview names a stranger, so that a wrong --sensor is seen."""
        room, file = laid_out(tmp_path)
        flags = [flag.replace("--sensor=hall", "--sensor=hell") for flag in FLAGS]
        assert cli.main(["import", room, file, *flags, "--preview"]) == cli.OK
        assert 'no sensor "hell" in the settings' in capsys.readouterr().out

    def test_fahrenheit_and_unix_time(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """--unit F and --time-format unix: the record is °C."""
        room, file = laid_out(tmp_path)
        Path(file).write_text("t\tf\n1705042800\t77\n", "utf-8")
        flags = ["--time-column=t", "--time-format=unix", "--sensor=hall", "--column=f=temperature"]
        assert (
            cli.main(["import", room, file, *flags, "--separator=tab", "--unit=F", "--preview", "--json"])
            == 0
        )
        assert json.loads(capsys.readouterr().out)["first"][0]["value"] == 25.0

    @pytest.mark.parametrize(
        ("flag", "words"),
        [
            ("--column=Temp", "COLUMN=QUANTITY"),
            ("--column=Temp=warmth", "temperature, humidity"),
            ("--column==temperature", "COLUMN=QUANTITY"),
            ("--separator=;;", "--separator"),
            ("--decimal=:", "--decimal"),
            ("--decimal=;", "--decimal"),
            ("--zone=Mars/Olympus", "no time zone"),
            ("--time-column=Uhr", "no column 'Uhr'"),
            ("--column=Feuchte=temperature", "stands twice"),
        ],
    )
    def test_a_flag_that_cannot_be_meant_is_refused(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], flag: str, words: str
    ) -> None:
        """A usage error with what is allowed; nothing is stored."""
        room, file = laid_out(tmp_path)
        assert cli.main(["import", room, file, *FLAGS, flag]) == cli.USAGE
        assert words in capsys.readouterr().err

    def test_a_file_that_is_not_there_is_said(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A missing file is a usage error, in a preview too."""
        room, _ = laid_out(tmp_path)
        assert cli.main(["import", room, str(tmp_path / "none.csv"), "--preview"]) == cli.USAGE
        assert "none.csv" in capsys.readouterr().err

    def test_the_data_folder_is_the_rooms(self, tmp_path: Path) -> None:
        """What is imported lies in the room's own logbook."""
        room, file = laid_out(tmp_path)
        assert cli.main(["import", room, file, *FLAGS]) == cli.OK
        from daemon.settings import load

        assert (data_folder(load(Path(room), {})) / "logbook.db").exists()
