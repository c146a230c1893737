"""Any command line ends in a result or one message; `tests/fuzz.py --command-lines N` for more."""

from tests.command_lines import searched


def test_any_command_line_is_accepted_or_refused_with_one_message(tmp_path):
    report: list[str] = []
    seen = searched(12, 9000, tmp_path, report)
    assert not report, "\n".join(report)
    assert seen["accepted"] + seen["refused"] == 12
