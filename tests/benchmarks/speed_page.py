"""The page and the figure of `speed.py`."""

from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt

FRAME_S = 1e-3
"""Every variant runs at 1 kHz."""
SCRIPT = "script, solve_ivp"
FASTEST = "numpy SFC64"
ORDER = (
    SCRIPT, "script, python-control", "vectorised numpy", "exact, 1 thread", "exact, 2 threads",
    "frame by frame, 1 thread", "frame by frame, 2 threads", "fused, 1 thread", "fused, 2 threads",
    "fused, 2 processes", "none, 1 thread", "none, 2 threads", "equivalent, 1 thread",
    "equivalent, 2 threads",
)  # fmt: skip
SAYS = {
    SCRIPT: "what an engineer would script (`by_hand.py`): `solve_ivp` at rtol 1e-6 through every "
    "frame of every mirror, numpy Poisson images, `cv2.moments`",
    "script, python-control": "the same on python-control's response of a nonlinear system",
    "vectorised numpy": "the plain twin of the kernels, all mirrors at once",
    "exact, 1 thread": 'fused path, `camera.noise = "exact"`',
    "frame by frame, 1 thread": "the compiled kernels of the stages, called from Python",
    "fused, 1 thread": 'the default: fused path, `camera.noise = "fast"`, every image made',
    "fused, 2 processes": "two runs side by side, each on one thread in a process of its own",
    "none, 1 thread": 'fused path, `camera.noise = "none"`, every image made',
    "equivalent, 1 thread": 'fused path, `camera.noise = "equivalent"`, no images',
}


def page(
    machine: str, found: Any, mirrors: Any, frames: Any, memory: Any, memory_full: Any,
    starts: Any, spent: Any, registers: Any = (), sides: Any = None,
) -> str:  # fmt: skip
    """Return docs/performance.md."""
    script = found[SCRIPT].per_frame_s
    lines = [
        "# Speed",
        "",
        "Made by `python tests/benchmarks/speed.py --write`; all below was measured in one run on "
        f"one machine: {machine}. Times and speeds hold for that machine alone; ratios carry over "
        "better. Every figure is the best of several rounds in which the variants take turns.",
        "",
        "The case is `harrow_point_earthquake`: 192 mirrors, windows of 24 x 24 px at 1 kHz, the "
        "recorded shaking, drift, amplifier noise, thresholded centroid and PI controller.",
        "",
        "![Speed of the variants, and growth with mirrors and frames](performance.png)",
        "",
        "## Beside its opponents",
        "",
        "| variant | a frame takes | x real time | x script | what it is |",
        "|---|---|---|---|---|",
    ]
    for name in ORDER:
        each = found[name].per_frame_s
        lines.append(
            f"| {name} | {_time(each)} | {_digits(FRAME_S / each)} | {_digits(script / each)} | "
            f"{SAYS.get(name, '')} |"
        )
    threads, processes = (found[f"fused, 2 {n}"].per_frame_s for n in ("threads", "processes"))
    lines += [
        "",
        "Two threads on one run take "
        f"{threads / processes:.2f} times as long for a frame as two processes do, a run each.",
        "",
        *(["## Vector registers, threads and processes", "", *_registers(registers), ""]
          if registers else []),
        "The script leaves out what would cost it more: amplifier noise, errors and losses between "
        "frames, lost spots, limits. Its errors agree with the product's: within 5 urad in the "
        "first frame, then but for steps of the DAC (10.4 urad).",
        "",
        "## Beside the mere drawing of noise",
        "",
        "One single-precision normal for each of the 110 592 pixels of a frame, and nothing else:",
        "",
        "| generator | a frame takes | whole run, 1 thread / this | whole run, 2 threads / this |",
        "|---|---|---|---|",
    ]
    one, two = (found[f"fused, {n}"].per_frame_s for n in ("1 thread", "2 threads"))
    for name in found:
        if name.startswith(("numpy ", "compiled, ")):
            each = found[name].per_frame_s
            lines.append(f"| {name} | {_time(each)} | {one / each:.2f} | {two / each:.2f} |")
    lines += [
        "",
        f"The whole run takes {one / found[FASTEST].per_frame_s:.2f} times as long on one thread "
        "as numpy's fastest generator does for the pixels' normals alone, and "
        f"{one / found['compiled, 1 thread'].per_frame_s:.1f} times as long as the compiled "
        "generator does for them; on two threads each, "
        f"{two / found['compiled, 2 threads'].per_frame_s:.1f} times.",
        "",
        "## Growth",
        "",
        "Fused path.",
        "",
        "| mirrors | a frame, 1 thread | per mirror | x real time | a frame, 2 threads | "
        "x real time |",
        "|---|---|---|---|---|---|",
    ]
    for count in _counts(mirrors):
        one, two = (mirrors[f"{count}, {threads}"].per_frame_s for threads in (1, 2))
        lines.append(
            f"| {count} | {_time(one)} | {_time(one / count)} | {_digits(FRAME_S / one)} | "
            f"{_time(two)} | {_digits(FRAME_S / two)} |"
        )
    lines += ["", "| frames, 1 thread | the run takes | per frame |", "|---|---|---|"]
    for name, timing in frames.items():
        lines.append(f"| {name} | {_time(timing.seconds)} | {_time(timing.per_frame_s)} |")
    lines += [
        "",
        "## Where the time goes",
        "",
        "One thread, without the first frames, in which kernels are loaded. Inside a fused call "
        "nothing can be timed; the other path shows what it is made of, with a call for each stage "
        "of each frame.",
        "",
        "| stage | fused path | frame by frame |",
        "|---|---|---|",
    ]
    fused, single = (each.by_stage_s() for each in (spent.fused, spent.frame_by_frame))
    for name in dict.fromkeys([*fused, *single]):
        shares = (
            f"{100 * each[name] / sum(each.values()):.1f} %" if name in each else ""
            for each in (fused, single)
        )
        lines.append(f"| {name} | {' | '.join(shares)} |")
    lines += ["", "## Memory", "", "| run | largest resident | of it traces |", "|---|---|---|"]
    for seconds, (whole, traces) in memory.items():
        lines.append(f"| {seconds} s, traces at 20 Hz | {whole:.0f} MB | {traces:.1f} MB |")
    lines.append(
        f"| 20 s, traces at 1 kHz | {memory_full[0]:.0f} MB | {memory_full[1]:.0f} MB |"
    )
    lines += [
        "",
        "## Start-up",
        "",
        "Kernels compiled before, but for the last; disk warm.",
        "",
        "| call | first figures after | ends after | processor time |",
        "|---|---|---|---|",
    ]
    for name, (first, wall, used) in starts.items():
        lines.append(f"| `{name}` | {_time(first)} | {_time(wall)} | {_time(used)} |")
    lines += [
        "",
        "How long a whole switch takes, from 16 to 1024 ports a side, and a thousand of them, "
        "stands in [connections.md](connections.md#how-long-it-takes).",
    ]
    if sides:
        lines += ["", *comparison(sides)]
    return "\n".join(lines) + "\n"


def _registers(registers: Any) -> list[str]:
    """Return the table of threads and processes on each kind of registers."""
    lines = [
        "Sixteen mirrors go side by side on either; where registers are shorter, two serve for "
        "one. *Used* is processor time for a frame.",
        "",
        "| registers | 1 thread | used | 2 threads | used | 2 processes, a frame of either | used "
        "| threads / processes |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for each in registers:
        times = " | ".join(
            f"{_time(best.wall_s)} | {_time(best.used_s)}"
            for best in (each.one, each.two_threads, each.two_processes)
        )
        ratio = each.two_threads.wall_s / each.two_processes.wall_s
        lines.append(f"| {each.name} | {times} | {ratio:.2f} |")
    return lines


def comparison(sides: Any) -> list[str]:
    """Return the section on another checkout: both timed in turn, each in a process of its own."""
    lines = [
        "## Beside another checkout",
        "",
        "Both were timed in turn, in one run, each in a process of its own.",
        "",
        "| variant | a frame takes | other | change | processor time | other | change |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, (this, other) in sides.items():
        lines.append(
            f"| {name} | {_time(this.wall_s)} | {_time(other.wall_s)} | "
            f"{100 * (this.wall_s / other.wall_s - 1):+.1f} % | {_time(this.used_s)} | "
            f"{_time(other.used_s)} | {100 * (this.used_s / other.used_s - 1):+.1f} % |"
        )
    return lines


def figure(found: Any, mirrors: Any, frames: Any, path: Path) -> None:
    """Draw docs/performance.png."""
    fig, (left, middle, right) = plt.subplots(1, 3, figsize=(12, 4.2), layout="constrained")
    names = list(reversed(ORDER))
    speeds = [FRAME_S / found[name].per_frame_s for name in names]
    left.barh(names, speeds, color=["#1f5f8b" if "fused" in n else "#9bb7c9" for n in names])
    left.axvline(1.0, color="#b04020", linewidth=1)
    left.text(1.15, len(names) - 1.1, "real time", color="#b04020", fontsize=8)
    left.set(xscale="log", xlabel="simulated seconds per second", title="192 mirrors")
    left.tick_params(axis="y", labelsize=8)
    count = _counts(mirrors)
    each = [1e6 * mirrors[f"{c}, 1"].per_frame_s for c in count]
    middle.loglog(count, each, "o-", color="#1f5f8b")
    middle.loglog(count, [each[-1] * c / count[-1] for c in count], ":", color="#555555")
    middle.set(xlabel="mirrors", ylabel="time of a frame [us]", title="fused path, one thread")
    octaves = [c for c in count if c % 48 == 0]
    middle.set_xticks(octaves, [str(c) for c in octaves])
    ticks = [25, 50, 100, 200, 400, 800]
    middle.set_yticks(ticks, [str(t) for t in ticks])
    middle.legend(["measured", "in proportion"], frameon=False)
    middle.minorticks_off()
    number = [int(name) for name in frames]
    spent = [timing.seconds for timing in frames.values()]
    right.loglog(number, spent, "o-", color="#1f5f8b")
    right.loglog(number, [spent[-1] * n / number[-1] for n in number], ":", color="#555555")
    right.set(xlabel="frames", ylabel="time of the run [s]", title="192 mirrors, one thread")
    right.set_xticks(number, [str(n) for n in number])
    ticks_s = [0.05, 0.1, 0.2, 0.5, 1.0, 2.0]
    right.set_yticks(ticks_s, [f"{t:g}" for t in ticks_s])
    right.minorticks_off()
    fig.savefig(path, dpi=110)
    plt.close(fig)


def _counts(mirrors: Any) -> list[int]:
    return sorted({int(name.partition(",")[0]) for name in mirrors})


def _time(seconds: float) -> str:
    for unit, size in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6)):
        if seconds >= size:
            return f"{_digits(seconds / size)} {unit}"
    return f"{_digits(seconds / 1e-9)} ns"


def _digits(value: float) -> str:
    if value >= 100:
        return f"{value:.0f}"
    return f"{value:.3g}"
