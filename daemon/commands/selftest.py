"""``ovigil selftest``: try everything that must work at three in the morning."""

import argparse
import json
import os
import ssl
from collections.abc import Mapping
from pathlib import Path

from daemon.cli import FOUND, OK
from daemon.clock import SystemClock
from daemon.commands.run import last_known
from daemon.folders import backup_folders, data_folder
from daemon.logbook.backup import listed
from daemon.readers import mqtt_link
from daemon.record import Json
from daemon.redact import Redactor, install
from daemon.secrets import Secrets
from daemon.selftest import (
    Check,
    Finding,
    check_backup,
    check_broker,
    check_clock,
    check_disk,
    check_heartbeat,
    selftest,
    try_contacts,
)
from daemon.settings import Loaded, load
from daemon.standing import speaker
from sensors.link import trust


def run(given: argparse.Namespace) -> int:
    """Send a marked test alert to each contact and look at disk, clock, broker and copies."""
    loaded = load(given.room)
    secrets = Secrets.for_config(loaded.path, os.environ)
    model, folder = loaded.model, data_folder(loaded)
    clock = SystemClock(last_known=last_known(folder), vouched=model.room.time_from == "board")
    wall = clock.wall()
    reach = {contact.name: secrets.get(contact.reach) or "" for contact in model.contact}
    hidden = [*reach.values(), secrets.get(model.watch.heartbeat or "") or ""]
    undo = install(Redactor.of(address for address in hidden if address))
    try:
        found = selftest(
            lambda: try_contacts(
                reach, model.room.name, speaker=speaker(model, 0, wall), boottime=clock.boottime
            ),
            _checks(loaded, secrets, folder, clock),
        )
    finally:
        undo()
    if given.json:
        answer: dict[str, Json] = found.json()
        print(json.dumps(answer, indent=2))
    else:
        print(found.text())
    return OK if found.holds else FOUND


def _checks(loaded: Loaded, secrets: Secrets, folder: Path, clock: SystemClock) -> Mapping[str, Check]:
    made = [one.made for target in backup_folders(loaded, folder) for one in listed(target)]
    checks: dict[str, Check] = {
        "disk": lambda: check_disk(folder if folder.exists() else folder.parent),
        "clock": lambda: check_clock(trusted=clock.trusted()),
    }
    if loaded.model.broker is not None:
        checks["broker"] = lambda: broker(loaded, secrets)
    beats = loaded.model.watch.heartbeat
    if beats is not None:
        checks["heartbeat"] = lambda: check_heartbeat(secrets.get(beats) or "", clock.boottime)
    checks["backup"] = lambda: check_backup(max(made, default=None), clock.wall())
    return checks


def broker(loaded: Loaded, secrets: Secrets) -> Finding:
    """Connect to the broker of the settings as the watch does."""
    try:
        link = mqtt_link(loaded.model, secrets, loaded.path)
        tls: ssl.SSLContext | None = trust(link.ca) if link.ca is not None else None
    except ValueError as error:
        return Finding("broker", holds=False, words=str(error))
    return check_broker(link.host, link.port, link.user or "", link.password or "", tls)
