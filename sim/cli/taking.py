"""Options of commands that take figures of the budget from other studies."""

from typing import Final

import click

servo_from: Final = click.option(
    "--servo-from", "servo_dir", metavar="DIR", type=click.Path(),
    help="Folder of a run or a prediction; its rms takes the place of budget.servo_urad.",
)  # fmt: skip
life_from: Final = click.option(
    "--life", "life_dir", metavar="DIR", type=click.Path(),
    help="Result folder of a life; its end takes the place of ageing, shift and servo error.",
)  # fmt: skip
