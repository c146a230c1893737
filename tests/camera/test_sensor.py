"""How fields lie on the sensors: shape, corners, neighbours, against a map made field by field."""

import numpy as np
import pytest

from sim.camera.sensor import Layout


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
