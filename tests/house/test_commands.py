"""The command line against the README: every command has help and is named there."""

import argparse
import importlib
import json
import re

import pytest

from daemon.cli import build_parser, main
from tests.kit.night import write_night
from tests.kit.source import text_of

README = text_of("README.md")


def commands():
    """Give every command's name and parser."""
    [choices] = [
        one.choices for one in build_parser()._actions if isinstance(one, argparse._SubParsersAction)
    ]
    return dict(choices)


def helps():
    """Give the one line that the list of commands has for each."""
    [action] = [one for one in build_parser()._actions if isinstance(one, argparse._SubParsersAction)]
    return {one.dest: one.help for one in action._choices_actions}


def options():
    """Give (command, option or argument)."""
    return [
        (name, one)
        for name, parser in commands().items()
        for one in parser._actions
        if not isinstance(one, argparse._HelpAction | argparse._SubParsersAction)
    ]


def documented(command):
    """Give the names in backticks of the README's sentence about a command's JSON, by list."""
    about = re.search(rf"`{command} --json` gives (.+?)\. [A-Z]", README, re.DOTALL)
    assert about is not None, f"the README does not say what {command} --json gives"
    return about[1]


class TestCommands:
    @pytest.mark.parametrize("name", commands(), ids=str)
    def test_each_has_help(self, name):
        """Every command says in one line what it does, without a capital or a full stop."""
        said = helps()[name]
        assert said
        assert said[0] == said[0].lower() or said[:2] == "I "
        assert not said.endswith(".")

    @pytest.mark.parametrize("name", commands(), ids=str)
    def test_each_is_named_in_the_readme(self, name):
        """Every command stands in backticks in the README's table."""
        table = README[README.index("## Commands") :]
        assert re.search(rf"`{re.escape(name)}[` ]", table)

    @pytest.mark.parametrize("name", commands(), ids=str)
    def test_each_has_a_handler_that_is_there(self, name):
        """The module and function that a command names exist."""
        handlers = [commands()[name].get_default("handler")]
        if handlers == [None]:
            nested = [one for one in commands()[name]._actions if isinstance(one, argparse._SubParsersAction)]
            handlers = [parser.get_default("handler") for one in nested for parser in one.choices.values()]
        assert handlers
        for handler in handlers:
            module, _, function = handler.partition(":")
            assert callable(getattr(importlib.import_module(module), function))

    def test_the_readme_names_no_other(self):
        """What the README's table calls a command is one."""
        table = README[README.index("| command |") :]
        rows = table[: table.index("\n\n")].splitlines()[2:]
        named = {name for row in rows for name in re.findall(r"`([a-z]+)`", row.split("|")[1])}
        assert named <= set(commands())

    def test_options_that_start_with_dashes_have_help(self):
        """Every option says what it does."""
        wrong = [
            f"{name} {one.option_strings}" for name, one in options() if one.option_strings and not one.help
        ]
        assert not wrong

    def test_without_a_command_it_says_what_there_is(self, capsys):
        """Alone it lists its commands and ends with the code for usage."""
        assert main([]) == 2
        listed = capsys.readouterr().out
        assert all(name in listed for name in commands())


class TestExitCodes:
    def test_the_readme_names_them(self):
        """Every exit code of the program is in the README's sentence about them."""
        from daemon import cli

        codes = {cli.OK, cli.FOUND, cli.USAGE, cli.UNAVAILABLE, cli.TRY_LATER, cli.CONFIG}
        about = re.search(r"Exit codes: (.+?)\n\n", README, re.DOTALL)[1]
        assert codes == {int(number) for number in re.findall(r"(?<![\w-])(\d+) ", about)}


class TestJson:
    def test_night_gives_the_documented_keys(self, tmp_path, capsys):
        """The keys of ``night --json`` are those of the README, in its order."""
        night = write_night(tmp_path, places=4, hours=3.0)
        assert main(["night", str(night.config), "--json"]) == 0
        answer = json.loads(capsys.readouterr().out)
        about = documented("night")
        lists = {
            part: re.findall(r"`([a-z_]+)`", inner)
            for part, inner in re.findall(r"`(\w+)`\s*\(([^)]*)\)", about)
        }
        outer = re.findall(r"`([a-z_]+)`", re.sub(r"\([^)]*\)", "", about))
        assert outer == list(answer)
        assert answer["curves"]
        assert answer["alarms"]
        assert lists["curves"] == list(answer["curves"][0])
        assert lists["alarms"] == list(answer["alarms"][0])
