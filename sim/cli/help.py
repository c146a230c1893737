"""The help of the whole command: commands in the order of the work, by who uses them."""

from typing import Final

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
    """A guarded group whose help is in groups, with whole sentences."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of the work."""
        known = [name for names in GROUPS.values() for name in names if name in self.commands]
        return [*known, *sorted(set(self.commands) - set(known))]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write one section for each group."""
        left = self.list_commands(ctx)
        width = max(len(name) for name in left)
        for title, names in (*GROUPS.items(), (OTHERS, tuple(left))):
            here = [name for name in names if name in left]
            left = [name for name in left if name not in here]
            if here:
                with formatter.section(title):
                    rows = [
                        (name.ljust(width), first_paragraph(self.commands[name])) for name in here
                    ]
                    formatter.write_dl(rows)


def first_paragraph(command: click.Command) -> str:
    """Return the first paragraph of a command's help, on one line."""
    return " ".join((command.help or "").split("\n\n")[0].split())
