"""Code that is no part, or that leads nowhere: one message for each fault."""

import pytest

from controllers import CONTROLLERS
from sim.disturbances import DISTURBANCES
from sim.estimators import ESTIMATORS
from sim.foundations.errors import PlugInError, ScenarioError
from tests.assembly.outside_code import CONTROLLER, LEAKY, case, mirrorloop, refused


def test_check_without_loading_still_finds_the_other_faults(tmp_path):
    line = CONTROLLER.format(kind="leaky.py:Leaky")
    path = case(tmp_path, line + "[drive]\nfull_scale_mrad = 1.0\n", leaky=LEAKY)
    path.write_text(path.read_text() + "[camera]\nexposure_us = 1e6\n")
    outcome = mirrorloop("check", path)
    assert outcome.exit_code == 2 and "exposure_us" in outcome.stderr, outcome.output
    gone = case(tmp_path, CONTROLLER.format(kind="gone.py:Leaky"))
    outcome = mirrorloop("check", gone)
    assert outcome.exit_code == 2 and "there is no such file" in outcome.stderr


WRONG = {
    "no Params": ("class Leaky:\n def initial_state(self, n): pass\n"
                  " def step(self, a, b, c): pass\n", "has no Params"),
    "no step": ("class Leaky:\n Params = 1\n def initial_state(self, n): pass\n",
                "is not a controller: it has no step(state, reading, setpoint)"),
    "Params of another sort": (LEAKY.replace("Params = LeakyParams", "Params = dict"),
                               "no parameter block"),
    "another signature": (LEAKY.replace("state, reading, setpoint", "state, reading"),
                          "cannot be called as step(state, reading, setpoint)"),
    "constructor of another signature": (LEAKY.replace("self, params, plant", "self"),
                                         "cannot be called as __init__(params, plant)"),
    "raises when loaded": ("raise RuntimeError('no\\nluck')", "RuntimeError: no luck"),
    "exits": ("import sys; sys.exit(3)", "SystemExit: 3"),
    "does not parse": ("def (:", "SyntaxError"),
    "imports what is not there": ("import nowhere_at_all", "nowhere_at_all"),
    "another name": (LEAKY.replace("class Leaky:", "class Leakey:"), 'Did you mean "Leakey"?'),
    "an instance": ("Leaky = 5", "it is an int, not a class"),
    "raises when made": (LEAKY.replace("self.params = params", "1 / 0"),
                         "failed when it was made: ZeroDivisionError"),
    "refuses": (LEAKY.replace("self.params = params", "raise ValueError('gain too high')"),
                "gain too high"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_code_that_is_no_controller_is_one_message(name, tmp_path):
    text, words = WRONG[name]
    message = refused(
        tmp_path, CONTROLLER.format(kind="own.py:Leaky"), "check", own=text
    )
    assert words in message and "controller" in message


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("os.path:join", "not a controller: it is a function, not a class"),
        ("sys:maxsize", "not a controller: it is an int, not a class"),
        ("nowhere_at_all:X", 'there is no package "nowhere_at_all"'),
        (":X", "cannot be loaded"),
        ("..x:Y", "cannot be loaded"),
        ("os:", "cannot be loaded"),
        ("a b:c", "cannot be loaded"),
        ("collections.abc:Sized", "it has no initial_state(n_mirrors) and no step("),
    ],
)
def test_kinds_that_lead_nowhere(kind, words, tmp_path):
    assert words in refused(tmp_path, CONTROLLER.format(kind=kind), "check")


def test_families_are_distinguished(tmp_path):
    (tmp_path / "own.py").write_text(LEAKY)
    kind = f"{tmp_path / 'own.py'}:Leaky"
    with pytest.raises(PlugInError, match=r"not a disturbance: it has no advance\(state, first"):
        DISTURBANCES.find(kind)
    with pytest.raises(PlugInError, match="not an estimator: it is no EstimatorKind"):
        ESTIMATORS.find(kind)


def test_unknown_kinds_name_the_nearest():
    with pytest.raises(ScenarioError, match='unknown controller "integratr". Did you mean "integ'):
        CONTROLLERS.find("integratr")
