"""What is killed at any moment, and what has a flipped bit; `tests/fuzz.py --kills N` for more."""

import random

from tests.killed import flip_bits, kill_runs, kill_sweeps


def test_a_killed_sweep_loses_nothing_and_ends_with_the_same_table(tmp_path):
    seen = kill_sweeps(3, tmp_path, random.Random(1))
    assert seen["killed"] == 3 and seen["tables the same to the last byte"] >= 1


def test_a_flipped_bit_of_a_store_is_found(tmp_path):
    seen = flip_bits(60, tmp_path, random.Random(2))
    assert seen["found"] + seen["changes nothing"] == 60
    assert seen["found"] >= 55


def test_a_killed_run_leaves_the_earlier_result_whole(tmp_path):
    assert kill_runs(2, tmp_path, random.Random(3))["killed"] == 2
