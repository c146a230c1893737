"""What a command was asked for, to be filed with its results."""

import shlex

import click
from click.core import ParameterSource

from sim.studies.run.provenance import Request


def asked_by(ctx: click.Context, overrides: tuple[str, ...] | None = None) -> Request:
    """Return overrides and command line of a command.

    Parameters
    ----------
    ctx : click.Context
        Of the command.
    overrides : tuple of str, optional
        What other options stand for, with those of `--set`; `--set` alone if left out.
    """
    given = ctx.params.get("overrides", ()) if overrides is None else overrides
    return Request(tuple(given), command_line(ctx))


def command_line(ctx: click.Context) -> str:
    """Return the command as it would be typed again: its arguments, and the options given."""
    words = ["mirrorloop", str(ctx.info_name)]
    for parameter in ctx.command.params:
        name = str(parameter.name)
        value = ctx.params[name]
        if isinstance(parameter, click.Argument):
            if value is not None:
                words += [str(one) for one in (value if isinstance(value, tuple) else (value,))]
        elif ctx.get_parameter_source(name) is not ParameterSource.COMMANDLINE:
            continue
        elif isinstance(parameter, click.Option) and parameter.is_flag:
            words.append(parameter.opts[-1])
        else:
            for one in value if isinstance(value, tuple) else (value,):
                words += [parameter.opts[0], str(one)]
    return shlex.join(words)
