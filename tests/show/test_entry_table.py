"""The entry table without a browser: what the browser would send is set from here."""

import pytest

from tyrekit.show.entry_table import Column, EntryTable

COLUMNS = (
    Column("hot_bar", "hot", "bar", 0.8, 4.0, 2, "pressure"),
    Column("inner_mm", "inner", "mm", 0.0, 9.9, 1, "tread"),
    Column("outer_mm", "outer", "mm", 0.0, 9.9, 1, "tread"),
)
ROWS = (("N1", "FL N1"), ("N2", "FR N2"))


@pytest.fixture
def entries():
    return []


@pytest.fixture
def table(entries):
    def save(key, group, values):
        entries.append((key, group, values))
        return f"{group} saved"

    return EntryTable(COLUMNS, ROWS, save, "Readings")


@pytest.mark.parametrize(("text", "value"), [("5.2", 5.2), ("5,2", 5.2), (" 5 ", 5.0), (".5", 0.5)])
def test_decimal_comma_and_point_are_the_same(text, value):
    assert COLUMNS[1].value(text) == value


@pytest.mark.parametrize(
    ("text", "words"),
    [("12.1", "over 9.9 mm"), ("-1", "under 0 mm"), ("5.2.1", "not a number"), ("nan", "not a"),
     ("1e1", "not a number"), ("True", "not a number"), ("inf", "not a number")],
)  # fmt: skip
def test_what_is_not_a_depth_is_refused_in_words(text, words):
    with pytest.raises(ValueError, match=words):
        COLUMNS[1].value(text)


def test_a_whole_group_is_saved_once_and_again_when_corrected(table, entries):
    table.fill("N1", inner_mm="5,2", outer_mm="5.6")
    table.commit("N1")
    table.commit("N1")
    assert entries == [("N1", "tread", {"inner_mm": 5.2, "outer_mm": 5.6})]
    assert table.status["N1"] == "tread saved"
    table.fill("N1", outer_mm="5.5", hot_bar="2.1")
    table.commit("N1")
    assert entries[1:] == [
        ("N1", "pressure", {"hot_bar": 2.1}),
        ("N1", "tread", {"inner_mm": 5.2, "outer_mm": 5.5}),
    ]
    assert table.status["N1"] == "pressure saved; tread saved"


def test_half_a_group_waits_and_says_so(table, entries):
    table.fill("N2", inner_mm="5")
    table.commit("N2")
    assert not entries
    assert table.status["N2"] == "outer to come, not saved yet"


def test_a_bad_value_is_kept_as_typed_and_not_saved(table, entries):
    table.fill("N2", inner_mm="52.0", outer_mm="5")
    table.commit("N2")
    assert not entries
    assert table.status["N2"] == "! not saved: inner is over 9.9 mm"
    assert table.rows[1]["inner_mm"] == "52.0"


@pytest.mark.parametrize(
    ("column", "text", "read"),
    [(1, "42", "4.2"), (1, "12", "1.2"), (1, "05", "0.5"), (1, "5", "5"), (1, "4,2", "4,2"),
     (0, "205", "2.05"), (0, "21", "2.1"), (0, "55", "55"), (0, "2", "2")],
)  # fmt: skip
def test_digits_alone_have_their_point_after_the_first_unless_out_of_range(column, text, read):
    assert COLUMNS[column].with_point(text) == read


def test_what_is_not_saved_is_told_and_stays_when_the_book_changes(entries):
    told = {}
    table = EntryTable(
        COLUMNS, ROWS, lambda *entry: "saved", on_typed=lambda key, texts: told.update({key: texts})
    )
    message = {"kind": "typed", "key": "N1", "texts": {"inner_mm": "4", "hot_bar": ""}, "edit": 1}
    table._on_message(table, message, [])
    assert told == {"N1": {"inner_mm": "4"}}
    table.show_saved("N1", {"inner_mm": "5.0", "outer_mm": "5.1", "hot_bar": "2.05"})
    row = table.rows[0]
    assert (row["inner_mm"], row["outer_mm"], row["hot_bar"]) == ("4", "", "2.05")
    assert table.status["N1"] == "pressure saved; tread typed, not saved; the book has 5.0 5.1"
    table.fill("N1", outer_mm="41")
    table.commit("N1")
    assert told["N1"] == {} and table.unsaved("N1") == {}


def test_a_disk_that_keeps_nothing_is_said_and_the_browser_keeps_its_copy(table):
    def full(key, texts):
        raise OSError("disk full")

    table._on_typed = full
    message = {"kind": "typed", "key": "N1", "texts": {"inner_mm": "4"}, "edit": 7}
    table._on_message(table, message, [])
    assert "not kept on disk: disk full" in table.status["N1"]
    assert table.rows[0]["edit"] == "0" and table.rows[0]["inner_mm"] == "4"


def test_what_was_typed_before_a_restart_is_put_back_unsaved(table, entries):
    table.restore("N2", {"inner_mm": "4,", "hot_bar": "2.05"})
    assert not entries and table.rows[1]["inner_mm"] == "4,"
    assert "pressure kept from before, not saved" in table.status["N2"]
    assert table.unsaved("N2") == {"inner_mm": "4,", "hot_bar": "2.05"}


def test_a_failed_save_is_shown_and_tried_again(entries):
    def full(key, group, values):
        if not entries:
            entries.append("failed")
            raise OSError("disk full")
        return "saved"

    table = EntryTable(COLUMNS, ROWS, full)
    table.fill("N1", hot_bar="2.1")
    table.commit("N1")
    assert table.status["N1"] == "! not saved: disk full"
    table.commit("N1")
    assert table.status["N1"] == "saved"


def test_rows_that_stay_keep_their_texts(table):
    table.fill("N2", inner_mm="5.1")
    table.show_rows([("N2", "RL N2"), ("N3", "RR N3")])
    assert [row["label"] for row in table.rows] == ["RL N2", "RR N3"]
    assert table.rows[0]["inner_mm"] == "5.1"
    assert table.rows[1]["inner_mm"] == ""


def test_what_the_browser_sends_is_taken_row_by_row(table, entries):
    typed = {"inner_mm": "5,0", "outer_mm": ""}
    table._on_message(table, {"kind": "typed", "key": "N1", "texts": typed, "edit": 3}, [])
    assert table.rows[0]["inner_mm"] == "5,0" and table.rows[0]["edit"] == "3"
    assert not entries
    typed["outer_mm"] = "5.1"
    table._on_message(table, {"kind": "row", "key": "N1", "texts": typed, "edit": 4}, [])
    assert entries == [("N1", "tread", {"inner_mm": 5.0, "outer_mm": 5.1})]
    assert table.rows[0]["edit"] == "4"


@pytest.mark.parametrize("content", [None, {}, {"kind": "row"}, {"kind": "row", "texts": [1]}])
def test_messages_of_another_shape_are_left_alone(table, entries, content):
    before = table.rows
    table._on_message(table, content, [])
    assert table.rows == before and not entries


def test_odd_values_from_outside_become_text(table):
    table.rows = [{"key": "N1", "label": "FL N1", "inner_mm": True, "outer_mm": None}]
    assert table.rows[0]["inner_mm"] == "True"
    assert table.rows[0]["outer_mm"] == ""
    assert table.rows[0]["hot_bar"] == ""


def test_a_bad_value_put_right_again_says_saved(table, entries):
    table.fill("N1", hot_bar="2.05")
    table.commit("N1")
    for slip in ("99", "nought"):
        table.fill("N1", hot_bar=slip)
        table.commit("N1")
        assert "not saved" in table.status["N1"]
        table.fill("N1", hot_bar="2.05")
        table.commit("N1")
        assert table.status["N1"] == "pressure saved"
    assert len(entries) == 1
