"""How commands end: the exit codes, the screen, and what a fault of ours looks like."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import sim.cli.guard as guard
from sim.cli.guard import Guarded, showing
from sim.cli.main import cli
from sim.cli.screen import say
from sim.foundations.errors import PageFault, ScenarioError, Stopped
from sim.foundations.files.filing import PAGE_FAULT

ROOT = Path(__file__).parents[2]
SHORT = (
    "--set", "duration_ms=30", "--set", "switch.moves.0.at_ms=5", "--set", "metrics.hold_from_ms=20"
)  # fmt: skip
ODD = "[/red] $x^$ =1+1 \\u001b[31m \u202e <b> µ"
ENDS = {
    "nothing": (lambda: None, 0, ""),
    "missed": (lambda: click.get_current_context().exit(1), 1, ""),
    "refused": (lambda: raised(ScenarioError("a: must be b")), 2, "error: a: must be b"),
    "stopped": (lambda: raised(KeyboardInterrupt()), 2, "interrupted; nothing was written"),
    "memory": (lambda: raised(MemoryError("9 TiB")), 2, "not enough memory for this. 9 TiB"),
    "outside exit": (lambda: raised(SystemExit(1)), 2, "outside code ended the program"),
    "fault": (lambda: raised(KeyError("x")), 70, "a fault of the program, not of your input: Key"),
    "no such name": (
        lambda: Path("n" * 300).stat(), 2, f"error: {'n' * 80}...: File name too long",
    ),
    "fault of a disk": (lambda: raised(OSError(5, "Input/output error")), 2, "error: Input/output"),
    "fault of writing": (lambda: raised(OSError(22, "Invalid argument")), 70, "a fault of the"),
}


def raised(exception):
    raise exception


def ended(what, *words):
    @click.group(cls=Guarded)
    def group():
        """Stand in for the program."""

    @group.command()
    @click.option("--out")
    @click.option("--n", type=int)
    def do(out, n):
        ENDS[what][0]()

    return CliRunner().invoke(group, ["do", *words])


@pytest.mark.parametrize("what", ENDS)
def test_each_end_has_its_code_and_no_traceback(what, tmp_path):
    out = tmp_path / "out"
    outcome = ended(what, "--out", str(out))
    _, code, words = ENDS[what]
    assert outcome.exit_code == code
    assert words in outcome.stderr and "Traceback" not in outcome.output
    files = list(tmp_path.iterdir())
    assert len(files) == (code == 70)
    if files:
        text = files[0].read_text()
        assert "Traceback" in text and "raised(" in text and f"do --out {out}" in text
        assert str(files[0]) in outcome.stderr and outcome.stderr.count("\n") == 1


def test_a_word_with_a_nul_character_is_refused():
    outcome = ended("nothing", "--out", "a\0b")
    assert outcome.exit_code == 2 and "cannot hold a NUL character" in outcome.stderr


def test_a_fault_shows_its_traceback_if_asked_for(tmp_path):
    outcome = ended("fault", "--debug", "--out", str(tmp_path / "out"))
    assert outcome.exit_code == 70 and "Traceback" in outcome.stderr
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("words", [["--n", "x"], ["--nothing"], ["more"]])
def test_a_wrong_command_line_is_the_users(words):
    outcome = ended("nothing", *words)
    assert outcome.exit_code == 2 and "error: " in outcome.stderr and "Usage" in outcome.stderr


def test_what_is_written_is_said_even_after_an_interruption(tmp_path, capsys):
    with pytest.raises(Stopped, match=f"the results are complete, in {tmp_path}"):
        with showing(tmp_path):
            raise KeyboardInterrupt
    (tmp_path / PAGE_FAULT).write_text("Traceback")
    with pytest.raises(PageFault, match="everything else is in"):
        with showing(tmp_path):
            say("figures")
    assert f"figures\nresults in {tmp_path}\n" == capsys.readouterr().out


def test_a_page_that_cannot_be_drawn_costs_the_page_alone(tmp_path, monkeypatch):
    import sim.report.page

    monkeypatch.setattr(sim.report.page, "page_of", lambda view: raised(RuntimeError("no ink")))
    outcome = CliRunner().invoke(
        cli, ["run", "single_mirror_step", *SHORT, "--out", str(tmp_path / "out")]
    )
    assert outcome.exit_code == 70 and "Traceback" not in outcome.output
    assert "no ink" in (tmp_path / "out" / PAGE_FAULT).read_text()
    assert (tmp_path / "out" / "results.json").exists() and "results in" in outcome.stdout


def shell(command, **environment):
    return subprocess.run(
        ["bash", "-c", f"mirrorloop() {{ '{sys.executable}' -c "
         f"'from sim.cli.main import cli; cli()' \"$@\"; }}; {command}"],
        capture_output=True, text=True, timeout=120,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
    )  # fmt: skip


def case(folder, **settings):
    path = folder / "case.toml"
    base = (ROOT / "scenarios" / "single_mirror_step.toml").as_posix()
    path.write_text(f'base = "{base}"\ntitle = "{ODD}"\nquestion = "{ODD}"\n', encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("redirection", "code", "words"),
    [
        ("> /dev/full", 2, "standard output: cannot be written: No space left"),
        ("| true", 0, ""),
        (">&-", 0, ""),
        ("2>/dev/full", 0, ""),
        ("2>&-", 0, ""),
    ],
)
def test_a_screen_that_takes_nothing_costs_nothing(redirection, code, words, tmp_path):
    done = shell(
        f"set -o pipefail; mirrorloop run {case(tmp_path)} --out {tmp_path}/out "
        f"{' '.join(SHORT)} {redirection}"
    )
    assert done.returncode == code, done.stderr
    assert words in done.stderr and "Traceback" not in done.stderr
    assert (tmp_path / "out" / "report.html").exists()


def test_text_of_users_is_data(tmp_path):
    done = shell(
        f"mirrorloop run {case(tmp_path)} --out {tmp_path}/out {' '.join(SHORT)}",
        PYTHONIOENCODING="ascii",
    )
    assert done.returncode == 0, done.stderr
    assert "[/red] $x^$ =1+1 \\x1b[31m \\u202e <b> \\xb5" in " ".join(done.stdout.split())
    assert "\x1b" not in done.stdout
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "&lt;b&gt;" in page and "<b> µ" not in page
    assert "\\u202e" in page and "\u202e" not in page and "\x1b" not in page


def test_control_characters_in_a_message_are_escaped(tmp_path):
    done = shell(f"mirrorloop check $'{tmp_path}/\\e[31mred.toml'")
    assert done.returncode == 2 and "\\x1b[31mred.toml" in done.stderr and "\x1b" not in done.stderr


def test_term_stops_as_ctrl_c_does(tmp_path):
    words = ["run", "single_mirror_step", "--out", str(tmp_path / "out"),
             "--set", "duration_ms=1000000", "--most-memory", "64"]  # fmt: skip
    process = subprocess.Popen(
        [sys.executable, "-c", "from sim.cli.main import cli; cli()", *words],
        stderr=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    time.sleep(4)
    assert process.poll() is None
    process.send_signal(signal.SIGTERM)
    errors = process.communicate(timeout=60)[1]
    assert process.returncode == 2 and "interrupted; nothing was written" in errors
    assert not list(tmp_path.iterdir())


def test_every_command_prints_through_the_screen():
    for path in (ROOT / "sim" / "cli").glob("*.py"):
        if path.name != "screen.py":
            text = path.read_text(encoding="utf-8")
            assert "click.echo" not in text and " print(" not in text, path


def test_a_file_of_a_fault_goes_where_it_can(tmp_path, monkeypatch):
    monkeypatch.setattr(guard.tempfile, "gettempdir", lambda: str(tmp_path))
    outcome = ended("fault", "--out=/dev/null/x/y")
    assert outcome.exit_code == 70 and len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize(
    ("threads", "left"), [("0", False), ("-1", False), ("abc", False), ("9" * 30, False),
                          ("1000", True), (" 2 ", True), ("", True)],
)  # fmt: skip
def test_a_number_of_threads_that_is_none_is_left_aside_and_said(threads, left, monkeypatch):
    """Numba would not load with it, and the plain kernels would take its place."""
    monkeypatch.setenv("NUMBA_NUM_THREADS", threads)
    outcome = CliRunner().invoke(cli, ["list"])
    assert outcome.exit_code == 0
    assert ("NUMBA_NUM_THREADS" in os.environ) == left
    assert ("note: NUMBA_NUM_THREADS must be a whole number" in outcome.stderr) == (not left)
