"""``ovigil demo``: one night in a minute."""

import argparse
import os
import tempfile
from pathlib import Path

from daemon.cli import OK, USAGE, Plain
from daemon.demo import lay_out, play
from daemon.folders import data_folder
from daemon.logbook import Archive
from daemon.night import Window, as_text, default_window, review
from daemon.progress import Progress
from daemon.settings import load


def demo(given: argparse.Namespace) -> int:
    """Play a made-up night; its alerts come to the terminal, then its review."""
    os.umask(0o077)
    if given.dir is not None:
        return _play(given.dir, given.seed)
    with tempfile.TemporaryDirectory(prefix="ovigil-demo-") as folder:
        return _play(Path(folder), given.seed)


def _play(folder: Path, seed: int) -> int:
    try:
        path = lay_out(folder)
    except (FileExistsError, NotADirectoryError, PermissionError) as error:
        raise Plain(str(error), USAGE) from None
    print("A made-up attic on a night in May, played in less than a minute. What would reach the phone:\n")
    progress = Progress("minutes of the night")

    def say(words: str) -> None:
        progress.end()
        print("  | " + words.replace("\n", "\n  | ") + "\n", flush=True)

    try:
        end = play(path, seed=seed, say=say, progress=progress)
    finally:
        progress.end()
    loaded = load(path)
    print("In the morning, what the night was like:\n")
    with Archive.open(data_folder(loaded)) as archive:
        window = default_window(archive, loaded, end) or Window(0, 1)
        print(as_text(review(archive, loaded, window), loaded, window.end))
    return OK
