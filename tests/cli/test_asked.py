"""Every study files its overrides and its command line, on the page and in its JSON."""

import html
import json
import re
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from sim.cli.asked import command_line
from sim.cli.main import cli

BLANKS = ("Unit under test", "Serial numbers", "Operator", "Laboratory",
          "Equipment, calibrated until", "Temperature and humidity", "Report number",
          "Date and signature")  # fmt: skip
SMALL = ("switch.connections=[[0,1],[1,0]]", "switch.moves=[]", "limits={}")
EIGHT = ["--set", "switch.geometry.columns=4", "--set", "switch.geometry.ports_per_side=8"]
EIGHT += [word for text in SMALL for word in ("--set", text)]
SETS = [word for text in SMALL for word in ("--set", text)]


def words_of(*args: str) -> str:
    """Return the command line that a command with these options files."""
    found: list[str] = []

    @click.command()
    @click.argument("scenario")
    @click.option("--set", "overrides", multiple=True)
    @click.option("--tolerances", "tolerance_switches", default=40)
    @click.option("--closed", is_flag=True)
    @click.option("--none", default=None)
    @click.pass_context
    def yield_(ctx: click.Context, **_: object) -> None:
        found.append(command_line(ctx))

    assert CliRunner().invoke(yield_, args, catch_exceptions=False).exit_code == 0
    return found[0].removeprefix("mirrorloop ").partition(" ")[2]


def test_the_command_line_is_what_was_typed_and_no_default():
    assert words_of("a.toml") == "a.toml"
    # A zero given is not a default left out.
    assert words_of("a.toml", "--tolerances", "0") == "a.toml --tolerances 0"
    assert words_of("--closed", "--set", "x='a b'", "my case.toml", "--set", "y=1") == (
        """'my case.toml' --set 'x='"'"'a b'"'"'' --set y=1 --closed"""
    )


@pytest.mark.parametrize(
    ("command", "table", "more"),
    [
        ("margins", "summary.json", SETS),
        ("connections", "connections.json", EIGHT),
        ("yield", "yield.json", ["--set", "seed=3", "--switches", "2", "--tolerances", "0"]),
        ("estimators", "summary.json", ["--points", "ghost=5", "--set", "seed=3"]),
    ],
)  # fmt: skip
def test_pages_and_tables_of_studies_say_what_was_asked(
    tmp_path: Path, command: str, table: str, more: list[str]
) -> None:
    out = tmp_path / "out"
    case = "harrow_point_switch" if command == "yield" else "harrow_point_reconfigure"
    done = CliRunner().invoke(cli, [command, case, "--out", str(out), *more])
    assert done.exit_code in (0, 1), done.output
    check_filed(out, table, command, [more[i + 1] for i, w in enumerate(more) if w == "--set"])


def test_a_sweep_and_a_comparison_file_theirs(tmp_path: Path) -> None:
    options = ["--vary", "camera.signal_e=15000,20000", "--set", "duration_ms=40", "--workers", "1",
               "--set", "metrics.hold_from_ms=20", *SETS]  # fmt: skip
    out = tmp_path / "sweep"
    words = ["sweep", "harrow_point_reconfigure", "--out", str(out)]
    done = CliRunner().invoke(cli, [*words, *options])
    assert done.exit_code in (0, 1), done.output
    check_filed(out, None, "sweep", ["duration_ms=40", "metrics.hold_from_ms=20", *SMALL])
    assert "15000, 20000" in (out / "report.html").read_text(encoding="utf-8")
    out = tmp_path / "compare"
    assert CliRunner().invoke(cli, ["compare", "--out", str(out)]).exit_code == 0
    check_filed(out, "compare.json", "compare", [])


def check_filed(out: Path, table: str | None, command: str, overrides: list[str]) -> None:
    """Hold a folder against what was asked for."""
    page = html.unescape((out / "report.html").read_text(encoding="utf-8"))
    (heading,) = re.findall("<h1>(.*)</h1>", page)
    for text in overrides:
        assert text in page
    for text in overrides[:4]:  # a heading names four; the conditions name them all
        assert text in heading
    for blank in BLANKS:
        assert blank in page
    assert f"mirrorloop {command}" in page and "revision" in page and " UTC" in page
    assert page.count("<style>") == 1 and page.count("color-scheme: light") == 1
    if table is not None:
        origin = json.loads((out / table).read_text(encoding="utf-8"))["provenance"]
        assert origin["overrides"] == overrides
        assert origin["command"].startswith(f"mirrorloop {command}")
        assert origin["version"] and origin["started"].endswith("+00:00")
