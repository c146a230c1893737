"""Parts of the user's own in a run: read as shipped ones are, and named where they fail."""

import numpy as np
import pytest

from tests.assembly.outside_code import (
    CONTROLLER,
    ESTIMATOR,
    LEAKY,
    ONE_MIRROR,
    READER,
    case,
    mirrorloop,
    refused,
)

GIVES = "return correction, correction"
CRASHES = {
    "step": (LEAKY.replace("seen =", "1 / 0; seen ="), ['"', "own.py:Leaky", "ZeroDivisionError"]),
    "shape": (LEAKY.replace(GIVES, f"{GIVES}[:, :1]"),
              ["own.py:Leaky", "must be of shape (2, 2)"]),
    "NaN": (LEAKY.replace(GIVES, f"{GIVES} * np.nan"),
            ["own.py:Leaky", "mirror 0", "must be finite"]),
}  # fmt: skip


@pytest.mark.parametrize("name", CRASHES)
def test_a_controller_that_fails_in_the_loop_is_named(name, tmp_path):
    text, words = CRASHES[name]
    message = refused(tmp_path, CONTROLLER.format(kind="own.py:Leaky"), own=text)
    assert all(word in message for word in words), message


def test_debug_shows_where_it_failed(tmp_path):
    path = case(tmp_path, CONTROLLER.format(kind="own.py:Leaky"), own=CRASHES["step"][0])
    outcome = mirrorloop("--debug", "run", path, "--out", tmp_path / "out")
    assert outcome.exit_code == 2
    assert "Traceback" in outcome.stderr and "own.py" in outcome.stderr
    assert outcome.stderr.splitlines()[-1].startswith("error: ")


READINGS = {
    "writes": ("frames_dn[:] = 0", ["own.py:Reader", "ValueError", "read-only"]),
    "NaN": ("reading.spot_px[1, 0] = float('nan')",
            ["own.py:Reader", "mirror 1, 0 ms", "status OK", "not finite"]),
    "nothing": ("return None", ["own.py:Reader", "NoneType, not a SpotReading"]),
    "shape": ("reading = reading._replace(flux_dn=reading.flux_dn[:1])", ["flux_dn", "(2,)"]),
    "status": ("reading.status[1] = 9", ["mirror 1", "(got 9)"]),
    "raises": ("raise KeyError('spot')", ["own.py:Reader", "KeyError"]),
}  # fmt: skip


@pytest.mark.parametrize("name", READINGS)
def test_an_estimator_that_fails_in_the_loop_is_named(name, tmp_path):
    body, words = READINGS[name]
    text = READER.replace("BODY", body)
    message = refused(tmp_path, ESTIMATOR.format(kind="own.py:Reader"), own=text)
    assert all(word in message for word in words), message


def test_an_estimator_of_ones_own_reads_as_the_shipped_one(tmp_path):
    path = case(tmp_path, ESTIMATOR.format(kind="own.py:Reader"), own=READER.replace("BODY", ""))
    for name, scenario in (("own", path), ("shipped", ONE_MIRROR)):
        assert mirrorloop("run", scenario, "--out", tmp_path / name).exit_code == 0
    own, shipped = (np.load(tmp_path / name / "traces.npz") for name in ("own", "shipped"))
    np.testing.assert_array_equal(own["error_rad"], shipped["error_rad"])


SHAKER = '''
import numpy as np
from sim.foundations.params import Block
from sim.foundations.ports import Effects

class Shaker:
    class Params(Block):
        pass

    def __init__(self, params, site):
        self.m = len(site.mirror_ids)

    def initial_state(self):
        return None

    def advance(self, state, first_frame, n_frames):
        BODY
'''


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("return state, Effects(gain=np.zeros(n_frames))", ["gain must be of shape"]),
        ("return state, Effects(gain=np.full(n_frames + 1, np.inf))", ["gain must be finite"]),
        ("return state, None", ["not Effects"]),
        ("raise OSError('gone')", ["OSError: gone"]),
    ],
)
def test_a_disturbance_that_fails_is_named(body, words, tmp_path):
    message = refused(
        tmp_path, 'disturbances = [{kind = "own.py:Shaker"}]\n', own=SHAKER.replace("BODY", body)
    )
    assert all(word in message for word in ["own.py:Shaker", *words]), message


def test_a_shaper_that_gives_no_path_is_named(tmp_path):
    text = (
        "from sim.foundations.params import Block\nclass Own:\n class Params(Block):\n  pass\n"
        " def __init__(self, params, plant): pass\n"
        " def path(self, start_rad, target_rad): return target_rad\n"
    )
    line = (
        'shaping = {kind = "own.py:Own"}\n'
        'switch = {moves = [{at_ms = 10, connections = "identity"}]}\n'
    )
    message = refused(tmp_path, line, own=text)
    assert 'shaping "' in message and "own.py:Own" in message
    assert "must be of shape (K, 2, 2)" in message
