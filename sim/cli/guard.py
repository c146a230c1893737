"""How every command ends: one exit code for each kind of end, and no traceback for users."""

import datetime
import errno
import os
import platform
import shlex
import signal
import sys
import tempfile
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import click

from sim.cli.screen import delivered, say, use_steady_streams
from sim.foundations.errors import FAULT, MET, REFUSED, PageFault, SimError, Stopped
from sim.foundations.files.filing import PAGE_FAULT
from sim.foundations.kinds.outside import culprit, in_one_line

DEBUG = "--debug"
SURROUNDINGS = frozenset({
    errno.ENAMETOOLONG, errno.ELOOP, errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOSPC,
    errno.EDQUOT, errno.EIO, errno.ENXIO, errno.ENODEV, errno.EMFILE, errno.ENFILE,
})  # fmt: skip
"""What a system refuses because of a name, a disk or its rules, not because of this program."""
DISK = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EIO})
"""Those of them that a system says of an open file, without its name."""
SHOWN_NAME = 80
"""Characters of a file's name that a message shows at most."""


class Guarded(click.Group):
    """A group of commands, all of which end through one guard."""

    def main(self, args: Sequence[str] | None = None, *more: Any, **extra: Any) -> Any:
        """Run a command and end with its exit code."""
        words = list(sys.argv[1:] if args is None else args)
        debug = DEBUG in words
        kept = [word for word in words if word != DEBUG]
        extra["standalone_mode"] = False
        sys.exit(guarded(lambda: super(Guarded, self).main(kept, *more, **extra), words, debug))


def guarded(command: Callable[[], Any], words: Sequence[str], debug: bool) -> int:
    """Do `command` and return its exit code, whatever happens in it.

    Parameters
    ----------
    command : callable
        Returns an exit code, or something else for 0.
    words : sequence of str
        The command line, to be found in the file of a fault.
    debug : bool
        Show the traceback of a fault on the screen.

    Returns
    -------
    int
        0 met, 1 a limit missed, 2 refused or stopped, 70 a fault of the program.
    """
    old = use_steady_streams()
    try:
        if any("\0" in word for word in words):
            say("error: a word of the command line cannot hold a NUL character", err=True)
            return REFUSED
        with _stopped_by_term():
            code = _ended(command, words, debug)
        lost = delivered(sys.stdout)
        if lost is not None and lost.errno != errno.EPIPE:  # a reader may stop reading
            say(
                f"error: standard output: cannot be written: {lost.strerror}; results in folders "
                "are complete",
                err=True,
            )
            code = max(code, REFUSED)
        delivered(sys.stderr)
        return code
    finally:
        sys.stdout, sys.stderr = old  # type: ignore[assignment]


def _ended(command: Callable[[], Any], words: Sequence[str], debug: bool) -> int:
    try:
        code = command()
        return code if isinstance(code, int) else MET
    except click.UsageError as exc:
        usage = "" if exc.ctx is None else f"{exc.ctx.get_usage()}\n"
        say(f"{usage}error: {exc.format_message()}", err=True)
    except click.ClickException as exc:
        say(f"error: {exc.format_message()}", err=True)
    except SimError as exc:
        _show(exc, debug)
        say(f"error: {exc}", err=True)
        return exc.exit_code
    except (KeyboardInterrupt, click.Abort):
        say("error: interrupted; nothing was written", err=True)
    except MemoryError as exc:
        say(f"error: there is not enough memory for this. {exc}".rstrip(), err=True)
    except OSError as exc:
        named = exc.filename is not None or exc.errno in DISK
        if not named or exc.errno not in SURROUNDINGS or culprit(exc) is not None:
            return _unforeseen(exc, words, debug)
        _show(exc, debug)
        name = "" if exc.filename is None else f"{exc.filename}: "
        if len(name) > SHOWN_NAME:
            name = f"{name[:SHOWN_NAME]}...: "
        say(f"error: {name}{exc.strerror}", err=True)
    except SystemExit as exc:
        say(f"error: outside code ended the program (with {exc.code!r})", err=True)
    except Exception as exc:
        return _unforeseen(exc, words, debug)
    return REFUSED


def _unforeseen(exc: Exception, words: Sequence[str], debug: bool) -> int:
    """Blame the outside code that it comes from, or else this program."""
    part = culprit(exc)
    if part is None:
        return _fault(exc, words, debug)
    _show(exc, debug)
    say(f'error: "{part.kind}" failed: {in_one_line(exc)}', err=True)
    return REFUSED


def _show(error: Exception, debug: bool) -> None:
    if debug:
        say("".join(traceback.format_exception(error)), err=True)


def _fault(exc: Exception, words: Sequence[str], debug: bool) -> int:
    """Say that this is our fault; the traceback goes to a file, or to the screen if asked for."""
    from importlib.metadata import version

    trace = "".join(traceback.format_exception(exc))
    what = traceback.format_exception_only(exc)[-1].strip().splitlines()[0]
    if debug:
        say(trace, err=True)
        where = "with the lines above"
    else:
        now = datetime.datetime.now(datetime.UTC)
        name = f"mirrorloop-fault-{now:%Y%m%dT%H%M%S}-{os.getpid()}.txt"
        text = (
            f"mirrorloop {version('mirrorloop')}, python "
            f"{platform.python_version()}, {platform.platform()}\n{now.isoformat()}\n"
            f"mirrorloop {shlex.join(words)}\n\n{trace}"
        )
        path = _written(name, text, words)
        where = "with --debug for more" if path is None else f"with the file {path}"
    say(
        f"error: a fault of the program, not of your input: {what}. Please report it, {where}",
        err=True,
    )
    return FAULT


def _written(name: str, text: str, words: Sequence[str]) -> Path | None:
    """Write a file beside the output that was asked for, or where it can be written."""
    for folder in (_beside_output(words), Path(tempfile.gettempdir())):
        with suppress(OSError, ValueError):
            path = folder / name
            path.write_text(text, encoding="utf-8", errors="backslashreplace")
            return path
    return None


def _beside_output(words: Sequence[str]) -> Path:
    for word, following in zip(words, (*words[1:], ""), strict=True):
        if word == "--out" and following:
            return Path(following).parent
        if word.startswith("--out="):
            return Path(word.removeprefix("--out=")).parent
    return Path()


@contextmanager
def _stopped_by_term() -> Iterator[None]:
    """Let SIGTERM stop the program as Ctrl-C does, unless something else is set."""
    main = threading.current_thread() is threading.main_thread()
    ours = main and signal.getsignal(signal.SIGTERM) is signal.SIG_DFL
    if ours:
        signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        if ours:
            signal.signal(signal.SIGTERM, signal.SIG_DFL)


@contextmanager
def showing(folder: Path) -> Iterator[None]:
    """Show results that are written; an interruption does not pretend that they are not.

    Raises
    ------
    PageFault
        Afterwards, if their page could not be drawn.
    Stopped
        In place of an interruption.
    """
    try:
        yield
        say(f"results in {folder}")
    except KeyboardInterrupt:
        raise Stopped(f"interrupted; the results are complete, in {folder}") from None
    if (folder / PAGE_FAULT).exists():
        raise PageFault(
            f"a fault of the program: the page could not be drawn; everything else is in {folder}. "
            f"Please report it, with the file {folder / PAGE_FAULT}"
        )
