"""How fields lie on the sensors: shape, corners, neighbours, against a map made field by field."""

import numpy as np
import pytest

from sim.camera.sensor import Layout, make_pattern
from sim.camera.settings import CameraParams
from tests.camera.test_camera_defects import BASE


@pytest.mark.parametrize(
    ("ports", "columns", "ports_b", "columns_b"), [(24, 6, 0, 0), (10, 4, 0, 0), (6, 3, 20, 7)]
)
def test_fields_lie_row_by_row_and_know_their_neighbours(ports, columns, ports_b, columns_b):
    layout = Layout(ports, columns, 40, 24, ports_b, columns_b)
    there = {}  # (sensor, row, column) -> mirror
    for sensor, count, width in ((0, ports, columns), (1, ports_b or ports, columns_b or columns)):
        for port in range(count):
            there[sensor, port // width, port % width] = port + sensor * ports
    mirrors = np.array([m for m in there.values() if m % 5])  # not all are simulated
    column_of = {int(m): i for i, m in enumerate(mirrors)}
    rows = 1 + max(row for _, row, _ in there)
    across = 1 + max(column for _, _, column in there)
    assert layout.shape == (rows * 40 + 48, across * 40 + 48)
    found = layout.neighbours(mirrors)
    for (sensor, row, column), mirror in there.items():
        one = np.array([mirror])
        assert layout.sensor(one)[0] == sensor
        assert layout.corner(one)[0].tolist() == [column * 40 + 24, row * 40 + 24]
        assert layout.centre(one)[0].tolist() == [column * 40 + 44, row * 40 + 44]
        if mirror in column_of:
            steps = [(dx, dy) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dx, dy) != (0, 0)]
            next_to = [there.get((sensor, row + dy, column + dx)) for dx, dy in steps]
            want = [column_of.get(m, -1) for m in next_to]
            assert found[column_of[mirror]].tolist() == want


@pytest.mark.parametrize(
    ("changes", "prnu", "dsnu"),
    [({"prnu_pct": 0.6}, 0.006, 0.0), ({"dsnu_e": 0.6}, 0.0, 0.6),
     ({"prnu_pct": 2.0, "dsnu_e": 3.0}, 0.02, 3.0)],
)  # fmt: skip
def test_each_kind_of_fixed_pattern_has_its_own_strength(changes, prnu, dsnu):
    """EMVA 1288: both are standard deviations; of n normal numbers theirs scatters by 1/sqrt(2n).

    Five of those are allowed.
    """
    layout = Layout(24, 6, 64, 24)
    pattern = make_pattern(CameraParams(**(BASE | changes)), layout, 5)
    n = pattern.response.size
    assert n > 1e5
    allowed = 5 / np.sqrt(2 * n)
    assert pattern.response.std() == pytest.approx(prnu, rel=allowed, abs=1e-12)
    assert pattern.offset.std() == pytest.approx(dsnu, rel=allowed, abs=1e-12)
