"""The examples of docs/state.md are run as they stand."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def test_the_page_does_what_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "docs" / "state.md").read_text(), re.S)
    (tmp_path / "scenarios").symlink_to(ROOT / "scenarios")
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    for block in blocks:
        exec(compile(block, "docs/state.md", "exec"), names)  # noqa: S102
    *told, small, middle, large = capsys.readouterr().out.splitlines()
    assert told[-1].startswith("90 frames")
    losses = [float(line.split()[1]) for line in (small, middle, large)]
    assert losses == sorted(losses)
    assert losses[0] < losses[2]
