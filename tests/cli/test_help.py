"""The help shows every command, whole, under whom it is for."""

import click
from click.testing import CliRunner

from sim.cli.help import GROUPS, OTHERS, first_paragraph
from sim.cli.main import cli

COMMANDS = cli.all_commands(click.Context(cli))


def test_every_command_is_where_its_name_says():
    assert all(command.name == name for name, command in COMMANDS.items())


def test_every_command_is_shown_once_with_its_whole_summary():
    text = CliRunner().invoke(cli, ["--help"]).output
    flat = " ".join(text.split())
    assert text.count("...") == 1  # of the usage line
    for name, command in COMMANDS.items():
        assert f"{name} " in text
        assert first_paragraph(command) in flat, name
    order = [name for names in GROUPS.values() for name in names if name in COMMANDS]
    places = [text.index(f"\n  {name} ") for name in order]
    assert places == sorted(places)


def test_every_command_has_its_group():
    grouped = {name for names in GROUPS.values() for name in names}
    assert set(COMMANDS) <= grouped, f"say in GROUPS whom they are for (now under {OTHERS})"
