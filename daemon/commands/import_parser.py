"""The flags of ``ovigil import`` for the form of a file; light, so that help is quick."""

import argparse


def add_form(parser: argparse.ArgumentParser) -> None:
    """Add the flags that say how a file is written."""
    form = parser.add_argument_group(
        "how the file is written", "left out: the columns time,sensor,quantity,value with ISO 8601 times"
    )
    form.add_argument("--time-column", default="time", metavar="COLUMN", help="the instant")
    form.add_argument(
        "--time-format",
        metavar="FORMAT",
        help='"unix", "unix ms" or a format of strptime ("%%d.%%m.%%Y %%H:%%M"); default: ISO 8601',
    )
    form.add_argument("--zone", metavar="ZONE", help='time zone of times without offset ("Europe/Lisbon")')
    form.add_argument("--sensor", metavar="NAME", help="the whole file is of this sensor")
    form.add_argument("--sensor-column", default="sensor", metavar="COLUMN", help="the sensor's name")
    form.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="COLUMN=QUANTITY",
        help="what a column holds: temperature, humidity, contact, battery or signal (repeatable)",
    )
    form.add_argument(
        "--separator", default=",", metavar="SIGN", help='between fields; "tab" for a tab (default ",")'
    )
    form.add_argument("--decimal", default=".", metavar="SIGN", help='decimal sign (default ".")')
    form.add_argument(
        "--no-value",
        action="append",
        default=[],
        metavar="WORD",
        help='a word for "no value" ("---", "" for an empty field; repeatable)',
    )
    parser.add_argument(
        "--preview", action="store_true", help="say what was understood of the file, and store nothing"
    )
