"""The help of the whole command: commands in the order of the work, by who uses them."""

from collections.abc import Mapping
from importlib import import_module
from typing import Any, Final

import click

from sim.cli.guard import Guarded

GROUPS: Final[dict[str, tuple[str, ...]]] = {
    "Start here": ("list", "check", "run"),
    "Controls engineer": ("margins", "tune", "predict", "sensitivity", "record", "identify"),
    "Firmware team": (
        "estimators", "formats", "calibrate", "deadline", "vectors", "firmware", "instructions",
    ),
    "Test lead": ("profiles", "isolators", "replay", "campaign", "health", "sweep"),
    "Owner of the switch": ("connections", "yield", "life", "extrapolate", "compare"),
}
"""A command that stands nowhere comes last."""
OTHERS: Final = "More"


class Grouped(Guarded):
    """A guarded group whose help is in groups, with whole sentences.

    `elsewhere` says where commands are that are loaded when they are asked for:
    name -> "module:attribute".
    """

    def __init__(self, *args: Any, elsewhere: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.elsewhere = elsewhere

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command, loaded if need be; None if there is no such command."""
        if cmd_name in self.elsewhere and cmd_name not in self.commands:
            module, _, attribute = self.elsewhere[cmd_name].partition(":")
            self.add_command(getattr(import_module(module), attribute))
        return super().get_command(ctx, cmd_name)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of the commands in the order of the work."""
        every = {*self.commands, *self.elsewhere}
        known = [name for names in GROUPS.values() for name in names if name in every]
        return [*known, *sorted(every - set(known))]

    def all_commands(self, ctx: click.Context) -> dict[str, click.Command]:
        """Return the commands by their names, all loaded."""
        found = {name: self.get_command(ctx, name) for name in self.list_commands(ctx)}
        return {name: command for name, command in found.items() if command is not None}

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write one section for each group."""
        every = self.all_commands(ctx)
        left = list(every)
        width = max(len(name) for name in left)
        for title, names in (*GROUPS.items(), (OTHERS, tuple(left))):
            here = [name for name in names if name in left]
            left = [name for name in left if name not in here]
            if here:
                with formatter.section(title):
                    rows = [(name.ljust(width), first_paragraph(every[name])) for name in here]
                    formatter.write_dl(rows)


def first_paragraph(command: click.Command) -> str:
    """Return the first paragraph of a command's help, on one line."""
    return " ".join((command.help or "").split("\n\n")[0].split())
