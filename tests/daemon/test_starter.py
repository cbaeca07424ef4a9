"""The first config: passes check, shows every key, is never overwritten."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.cli import OK, USAGE, main
from daemon.settings import keys, load, load_text
from daemon.starter import Answers, NewPlace, starter
from rules.plan import PlaceKind

ANSWERS = Answers(
    room='The "Attic"',
    time_zone="Europe/Lisbon",
    show="F",
    broker=("127.0.0.1", 1884),
    user="ovigil",
    contact="bedside",
    places=(
        NewPlace("attic", PlaceKind.ROOM, "", '{ by = "mqtt", topic = "m", contact = "/ok" }', "mains"),
        NewPlace("box-1", PlaceKind.BOX, "Paroedura picta", '{ by = "simulated" }'),
        NewPlace("cold", PlaceKind.COLD_STORE, "freezer"),
    ),
)


@pytest.mark.parametrize("answers", [Answers(), ANSWERS], ids=["nothing answered", "everything answered"])
def test_what_is_written_passes(answers: Answers) -> None:
    """Whatever was answered, the text loads and means what was answered."""
    model = load_text(starter(answers, Path("room.toml")), Path("room.toml"), {}).model
    assert model.room.name == answers.room
    assert [place.name for place in model.place] == [place.name for place in answers.places]
    assert (model.broker is None) is (answers.broker is None)
    assert [contact.name for contact in model.contact] == ([answers.contact] if answers.contact else [])


@pytest.mark.parametrize("answers", [Answers(), ANSWERS], ids=["nothing answered", "everything answered"])
def test_every_key_stands_in_the_file(answers: Answers) -> None:
    """Each key of the config has its line in its section, with its default and its meaning."""
    text = starter(answers, Path("room.toml"))
    for doc in keys():
        name = re.split(r"\]\.|\)\.", doc.path)[-1]
        if doc.type in ("table", "list of tables") or doc.path.endswith(".by"):
            continue
        name = name.partition(".")[2] if "[]" not in doc.path else name
        (line, *_) = [
            line
            for line in text.splitlines()
            if line.lstrip("# ").startswith(f"{name} = ") and doc.description in line
        ]
        assert line.startswith("#") is not line.startswith(name), line
        if doc.default not in ("", "required") and line.startswith("#"):
            assert f"{name} = {doc.default}" in line


def test_the_numbers_of_a_place_stand_beside_it_with_their_source() -> None:
    """A keeper reads what is judged, and where each number comes from, in the file itself."""
    text = starter(ANSWERS, Path("room.toml"))
    block = text[text.index('name = "box-1"') :]
    block = block[: block.index("[[place.sensor]]")]
    assert "ideal" in block
    assert "common practice" in block
    assert "source:" in block


def _start(folder: Path, *flags: str) -> int:
    return main(["start", "--dir", str(folder), *flags])


def test_flags_need_no_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With flags nothing is asked; the secret's file is named, and its folder is private."""
    code = _start(
        tmp_path / "new",
        "--name",
        "Cellar",
        "--contact",
        "first",
        "--place",
        "b, box, leopard gecko, simulated",
    )
    assert code == OK
    path = tmp_path / "new" / "room.toml"
    assert load(path, {}).model.place[0].species == "leopard gecko"
    assert (tmp_path / "new" / "credentials").stat().st_mode & 0o777 == 0o700
    assert "credentials/phone" in capsys.readouterr().out


def test_what_is_there_is_never_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A second start leaves the file as it is and says so."""
    assert _start(tmp_path, "--name", "Cellar") == OK
    before = (tmp_path / "room.toml").read_text()
    assert _start(tmp_path, "--name", "Other") == USAGE
    assert (tmp_path / "room.toml").read_text() == before
    assert "not overwritten" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("flags", "words"),
    [
        (("--place", "b, castle"), "one of room, incubator"),
        (("--time-zone", "Nowhere/Else"), "time zone"),
        (("--place", "a, box", "--place", "a, box"), "a"),
        (("--broker", "127.0.0.1", "--for", "soon", "--place", "a, box"), "span of time"),
    ],
    ids=["kind", "time zone", "two of one name", "span of time"],
)
def test_a_wrong_answer_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], flags: tuple[str, ...], words: str
) -> None:
    """What is not allowed is said in words, and no half-made file stays."""
    assert _start(tmp_path, *flags) == USAGE
    assert words in capsys.readouterr().err
    assert not (tmp_path / "room.toml").exists()


def test_questions_at_a_terminal(tmp_path: Path) -> None:
    """At a terminal it asks, and the answers stand in the file; the address goes into the secret."""
    program = (
        "import sys, getpass; sys.stdin.isatty = lambda: True\n"
        "getpass.getpass = lambda *_: input()\n"
        "from daemon.cli import main\n"
        f"sys.exit(main(['start', '--dir', {str(tmp_path)!r}, '--for', '1 s', '--sysfs', {str(tmp_path)!r}]))"
    )
    answers = [
        "Attic",
        "Europe/Lisbon",
        "F",
        "-",
        "bedside",
        "box-1",
        "box",
        "Paroedura picta",
        "",
        "json://h/secret",
    ]
    done = subprocess.run(
        [sys.executable, "-c", program],
        input="\n".join(answers) + "\n",
        capture_output=True,
        text=True,
        timeout=25,
        check=False,
    )
    assert done.returncode == OK, done.stderr
    model = load(tmp_path / "room.toml", {}).model
    assert (model.room.name, model.room.show, model.broker) == ("Attic", "F", None)
    assert model.place[0].species == "Paroedura picta"
    secret = tmp_path / "credentials" / "phone"
    assert secret.read_text() == "json://h/secret\n"
    assert secret.stat().st_mode & 0o777 == 0o600
    assert "json://h/secret" not in done.stdout
