"""Secrets: read when asked for, never shown."""

from pathlib import Path

import pytest

from daemon.secrets import LONGEST, Secrets


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A config with a credentials folder beside it."""
    (tmp_path / "credentials").mkdir()
    return tmp_path / "room.toml"


def test_a_secret_is_read_without_its_newline(config: Path) -> None:
    """The trailing newline that editors add is no part of it."""
    (config.parent / "credentials" / "phone").write_text("json://key@host/\n")
    assert Secrets.for_config(config, {}).get("phone") == "json://key@host/"


def test_the_service_managers_folder_wins(config: Path, tmp_path: Path) -> None:
    """CREDENTIALS_DIRECTORY takes the place of the folder beside the config."""
    other = tmp_path / "given"
    other.mkdir()
    (other / "phone").write_text("b")
    (config.parent / "credentials" / "phone").write_text("a")
    secrets = Secrets.for_config(config, {"CREDENTIALS_DIRECTORY": str(other)})
    assert secrets.get("phone") == "b"
    assert secrets.mode_warnings() == ()


@pytest.mark.parametrize("name", ["../room.toml", "", ".hidden", "a/b", "absent", "a\0b"], ids=repr)
def test_only_plain_names_are_secrets(config: Path, name: str) -> None:
    """A name never leads out of the folder."""
    config.write_text("x = 1")
    assert Secrets.for_config(config, {}).get(name) is None


@pytest.mark.parametrize(
    "content", [b"", b"\n", b"\xff\xfe", b"a" * (LONGEST + 1)], ids=["empty", "newline", "bytes", "long"]
)
def test_what_is_no_text_is_no_secret(config: Path, content: bytes) -> None:
    """Empty, binary and endless files count as missing."""
    (config.parent / "credentials" / "phone").write_bytes(content)
    assert Secrets.for_config(config, {}).get("phone") is None


def test_a_file_that_others_can_read_is_told(config: Path) -> None:
    """Group and others have no business there."""
    folder = config.parent / "credentials"
    for name, mode in (("loose", 0o644), ("tight", 0o600)):
        (folder / name).write_text("x")
        (folder / name).chmod(mode)
    (said,) = Secrets.for_config(config, {}).mode_warnings()
    assert "loose" in said
    assert "chmod 600" in said


def test_no_folder_is_no_trouble(tmp_path: Path) -> None:
    """Without a folder there are no secrets and no warnings."""
    secrets = Secrets.for_config(tmp_path / "room.toml", {})
    assert secrets.get("phone") is None
    assert secrets.mode_warnings() == ()


def test_a_value_is_never_in_the_repr(config: Path) -> None:
    """Showing the object shows the folder only."""
    (config.parent / "credentials" / "phone").write_text("topsecret")
    secrets = Secrets.for_config(config, {})
    assert secrets.get("phone") == "topsecret"
    assert "topsecret" not in repr(secrets)
