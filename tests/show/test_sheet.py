"""The crew's sheet: what stands on it, that it is safe, whole and the same every time."""

import re
from datetime import UTC, datetime
from html.parser import HTMLParser

import pytest

from tyrekit.show import sheet

NOW = datetime(2026, 5, 16, 11, 0, tzinfo=UTC)


class Reader(HTMLParser):
    """Collects tags and checks that they close in order."""

    VOID = ("meta", "br", "link", "img", "path", "line", "rect", "circle", "use")

    def __init__(self):
        super().__init__()
        self.open, self.tags, self.ids, self.wrong = [], set(), [], []

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        attrs = dict(attrs)
        if "id" in attrs:
            self.ids.append(attrs["id"])
        self.wrong += [name for name in attrs if name.startswith("on")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if tag in self.VOID:
            return
        if self.open.pop() != tag:
            self.wrong.append(tag)


@pytest.fixture
def text(hand_answer):
    return sheet.sheet_html(hand_answer, NOW)


def test_it_says_what_the_crew_needs(text):
    for words in ("N5", "1.62 bar", "38.6 l", "28.8 kg", "How sure", "Tyre plan"):
        assert words in text, words
    for words in ("gauge reads low", "Cautions", "Petrol", "Jacks", "regulations"):
        assert words in text, words
    assert "event.toml abababababab" in text


def test_no_script_and_nothing_from_outside(text):
    reader = Reader()
    reader.feed(text)
    assert not reader.tags & {"script", "iframe", "object", "link", "img", "form"}
    assert not reader.wrong and not reader.open
    assert not re.findall(r"(?:https?:)?//(?!www\.w3\.org)[a-z]", text)
    assert "@import" not in text and "url(http" not in text


def test_typed_text_is_escaped(text):
    assert "Hand &lt;made&gt; &amp; invented" in text
    assert "<made>" not in text
    assert "&lt;0.3 bar" in text


def test_ids_do_not_clash(text):
    reader = Reader()
    reader.feed(text)
    assert len(reader.ids) == len(set(reader.ids))
    used = set(re.findall(r"url\(#([^)]+)\)", text))
    assert used <= set(reader.ids)


def test_the_same_answer_gives_the_same_bytes(hand_answer, text):
    assert sheet.sheet_html(hand_answer, NOW) == text


def test_written_whole_or_not_at_all(hand_answer, tmp_path, monkeypatch):
    path = tmp_path / "out" / "sheet.html"
    assert sheet.write_sheet(hand_answer, path, now=NOW) == path
    before = path.read_bytes()

    def fail(*_):
        raise OSError("disk full")

    monkeypatch.setattr(sheet.os, "replace", fail)
    with pytest.raises(OSError, match="disk full"):
        sheet.write_sheet(hand_answer, path)
    assert path.read_bytes() == before


def test_an_impossible_plan_and_a_finished_weekend_still_make_a_sheet(hand_answer):
    hand_answer.allocation.status = "impossible"
    hand_answer.allocation.blocked_by = ("at most 8 new tyres",)
    hand_answer.allocation.table = hand_answer.allocation.table.iloc[:0]
    hand_answer.next_session = hand_answer.cold_pressures = None
    assert "at most 8 new tyres" in sheet.sheet_html(hand_answer, NOW)
    hand_answer.allocation.status = "optimal"
    hand_answer.weekend.next_session = None
    hand_answer.fuel_loads = {}
    assert "No session is left" in sheet.sheet_html(hand_answer, NOW)
