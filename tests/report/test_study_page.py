"""Which columns of a study's tables are read from the left."""

from sim.report.study_page import Section, StudyPage, Table, render_study

ROWS = [
    ["in 1", "1.319", "connectors, two +0.348 dB; pointing", "0.93 (0.91 to 0.95, 95 %)", ""],
    ["in 2", "none", "pointing", "none", ""],
]
TABLE = Table("Who loses most", ["Connection", "Loss", "Reasons", "Interval", "Remarks"], ROWS)


def test_a_column_of_words_is_one_that_begins_with_letters_and_has_a_long_cell():
    assert [TABLE.holds_words(column) for column in range(1, 5)] == [False, True, False, False]


def test_the_page_sets_words_from_the_left_and_figures_from_the_right():
    page = render_study(
        StudyPage("title", "question", "Met: all.", True, [Section("s", tables=[TABLE])], [], "")
    )
    assert page.count('<td class="words">') == len(ROWS)
    assert '<th scope="col" class="left">Reasons</th>' in page
