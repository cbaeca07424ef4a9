"""``ovigil revert``: the previous text of the settings comes back."""

import argparse
import json
import os
from pathlib import Path

from daemon.check import difference
from daemon.cli import OK, UNAVAILABLE, Plain
from daemon.folders import data_folder, watched
from daemon.logbook import Archive
from daemon.record import Json, Kind
from daemon.settings import Loaded, SettingsError, load, load_text

AFTER = ".replaced"
"""The text that was replaced is kept under this ending."""


def revert(given: argparse.Namespace) -> int:
    """Put back what was in force before the text that the file has now."""
    loaded = _present(given.room)
    folder = data_folder(loaded)
    with Archive.open(folder) as archive:
        text = previous(archive, given.room.read_text("utf-8") if given.room.exists() else "")
    if text is None:
        raise Plain("the journal has no earlier settings", UNAVAILABLE)
    earlier = load_text(text, given.room)
    changes: list[Json] = [str(one) for one in difference(loaded.model, earlier.model)]
    _replace(given.room, text)
    if given.json:
        print(json.dumps({"file": str(given.room), "changes": changes}, indent=2))
        return OK
    print(f"{given.room} has its previous text; the other is kept as {given.room.name}{AFTER}")
    print("\n".join(f"  {change}" for change in changes) or "  nothing else is in force by it")
    if watched(folder) and earlier.model.room.reload != "on save":
        print("the watch takes it on a reload (systemctl reload ovigil)")
    return OK


def _present(path: Path) -> Loaded:
    """Load the file as it is; one that is wrong now stands for one that says nothing."""
    try:
        return load(path)
    except SettingsError:
        return load_text("", path)


def previous(archive: Archive, text: str) -> str | None:
    """Find the text that was in force before another one.

    Args:
        archive: The logbook.
        text: The file's text now.

    Returns:
        What runs now, where the file says something else; else what ran before it; None
        where there is nothing earlier.
    """
    from hashlib import sha256

    entries = archive.journal(kinds=[Kind.SETTINGS, Kind.PLAN])
    texts = {str(one.body["digest"]): str(one.body["text"]) for one in entries if "text" in one.body}
    ran = [str(one.body["digest"]) for one in entries if one.body.get("digest") in texts]
    here = sha256(text.encode()).hexdigest()
    earlier = next((digest for digest in reversed(ran) if digest != here), None)
    return None if earlier is None else texts[earlier]


def _replace(path: Path, text: str) -> None:
    """Write the file in one step; its owner and rights stay as they are."""
    half = path.with_name(f"{path.name}.half")
    try:
        if path.exists():
            kept = path.with_name(f"{path.name}{AFTER}")
            kept.write_bytes(path.read_bytes())
            kept.chmod(path.stat().st_mode & 0o777)
        half.write_text(text, encoding="utf-8")
        if path.exists():
            half.chmod(path.stat().st_mode & 0o777)
            if os.geteuid() == 0:
                os.chown(half, path.stat().st_uid, path.stat().st_gid)
        half.replace(path)
    except OSError as error:
        raise Plain(f"{path}: {error.strerror or error}", UNAVAILABLE) from None
