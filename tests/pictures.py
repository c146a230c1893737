"""Makes the pictures of the documentation from the tool's own pages.

`python tests/pictures.py`; needs chromium. Each picture is one that a page holds, or its first
screen; nothing is drawn here.
"""

import base64
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parents[1]
DOCS: Final = ROOT / "docs"
RUNS: Final = {
    "earthquake": ("run", "harrow_point_earthquake"),
    "half_sine": ("run", "harrow_point_half_sine"),
    "margins": ("margins", "harrow_point_reconfigure"),
}
SCREEN: Final = (1200, 760)
"""The first screen of a report. [px]"""
PICTURES: Final = {
    "pointing.png": ("earthquake", "Radial pointing error"),
    "spectrum.png": ("earthquake", "Shock response spectrum"),
    "windows.png": ("half_sine", "Camera windows"),
    "bode.png": ("margins", "Magnitude and phase"),
    "nyquist.png": ("margins", "Nyquist plot"),
}
"""File -> page, and how the picture's description begins."""
WIDTH: Final = 860


def shot(address: str, to: Path, width: int, height: int) -> None:
    """Photograph a page."""
    subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
         f"--screenshot={to}", f"--window-size={width},{height}", address],
        check=True, capture_output=True,
    )  # fmt: skip


def drawing(page: str, begins: str) -> tuple[str, float]:
    """Return one drawing of a page as SVG, and its height over its width."""
    found = re.search(rf'<img src="data:image/svg\+xml;base64,([^"]+)" alt="{begins}', page)
    if found is None:
        raise SystemExit(f"no picture begins with {begins!r}")
    text = base64.b64decode(found[1]).decode("utf-8")
    box = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', text)
    assert box is not None
    return text, float(box[2]) / float(box[1])


def main() -> None:
    """Run the cases, and make every picture."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for name, words in RUNS.items():
            subprocess.run(
                [sys.executable, "-c", "from sim.cli.main import cli; cli()", *words, "--out",
                 str(folder / name)],
                check=False, cwd=ROOT, capture_output=True,
            )  # fmt: skip
        shot(f"file://{folder}/earthquake/report.html", DOCS / "report.png", *SCREEN)
        for file, (name, begins) in PICTURES.items():
            page = (folder / name / "report.html").read_text(encoding="utf-8")
            text, shape = drawing(page, begins)
            (folder / "one.svg").write_text(text, encoding="utf-8")
            (folder / "one.html").write_text(
                f'<body style="margin:0"><img src="one.svg" width="{WIDTH}"></body>',
                encoding="utf-8",
            )
            shot(f"file://{folder}/one.html", DOCS / file, WIDTH, round(shape * WIDTH))


if __name__ == "__main__":
    main()
