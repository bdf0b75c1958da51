"""The crew's sheet: what stands on it, that it is safe, whole and the same every time."""

import hashlib
import re
from datetime import UTC, datetime
from html.parser import HTMLParser

import pytest

from tyrekit.errors import InputError
from tyrekit.record import whole_file
from tyrekit.show import sheet, sheet_page
from tyrekit.show.sheet_plans import SheetPlans, tread_to_measure
from tyrekit.show.style import css

NONE = SheetPlans()  # the hand-made fits cannot plan races; tests/weekend does
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
def no_charts(monkeypatch):
    """Leaves the charts out where a test is not about them: they take a second to draw."""
    monkeypatch.setattr(sheet, "_figures", lambda answer: "")


@pytest.fixture
def text(hand_answer):
    return sheet.sheet_html(hand_answer, NOW, NONE)


def test_it_says_what_the_crew_needs(no_charts, text):
    for words in ("N5", "1.62 bar", "38.6 L", "28.8 kg", "How sure", "Tyre plan"):
        assert words in text, words
    for words in ("gauge reads low", "Cautions", "Petrol", "Jack on level ground", "regulations"):
        assert words in text, words
    assert "event.toml abababababab" in text


def test_no_script_and_nothing_from_outside(text):
    reader = Reader()
    reader.feed(text)
    assert not reader.tags & {"script", "iframe", "object", "link", "img", "form"}
    assert not reader.wrong and not reader.open
    assert not re.findall(r"(?:https?:)?//(?!www\.w3\.org)[a-z]", text)
    assert "@import" not in text and "url(http" not in text


def test_typed_text_is_escaped(no_charts, text):
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
    assert sheet.sheet_html(hand_answer, NOW, NONE) == text


def test_written_whole_or_not_at_all(no_charts, hand_answer, tmp_path, monkeypatch):
    path = tmp_path / "out" / "sheet.html"
    assert sheet.write_sheet(hand_answer, path, plans=NONE, now=NOW) == path
    before = {p.name: p.read_bytes() for p in path.parent.iterdir()}

    def fail(*_):
        raise OSError("disk full")

    monkeypatch.setattr(whole_file.os, "replace", fail)
    with pytest.raises(InputError, match="disk full"):
        sheet.write_sheet(hand_answer, path, plans=NONE)
    assert {p.name: p.read_bytes() for p in path.parent.iterdir()} == before


def test_what_is_supposed_stands_on_every_page(no_charts, hand_answer, tmp_path):
    """A sheet made under a what-if may not be taken for the plan."""
    supposed = "Supposing shortfall risk <0.05>."
    paths = sheet.write_sheets(hand_answer, tmp_path, plans=NONE, supposed=supposed, now=NOW)
    words = '<p class="warn">Supposing shortfall risk &lt;0.05&gt;.</p>'
    for path, pages in zip(paths, (3, 1, 1), strict=True):
        assert path.read_text(encoding="utf-8").count(words) == pages


def test_every_page_bears_the_stamp(no_charts, hand_answer, tmp_path):
    """Weekend, car, time in the event's zone, version and one hash of all inputs."""
    paths = sheet.write_sheets(hand_answer, tmp_path, plans=NONE, now=NOW)
    assert [p.name for p in paths] == ["sheet.html", "tyre_sheet.html", "fuel_card.html"]
    stamp = sheet_page.stamp_of(hand_answer, NOW).line()
    assert "Hand &lt;made&gt;" in stamp and "Sat 16 May 2026 12:00 BST" in stamp
    for path, pages in zip(paths, (3, 1, 1), strict=True):
        text = path.read_text(encoding="utf-8")
        assert text.count('<table class="sheet"') == text.count(stamp) == pages
        assert text.count("<tfoot>") == pages


def test_the_hash_moves_with_any_input(hand_answer):
    """The expected value is sha256 of the listing, by hashlib: closed form."""
    stamp = sheet_page.stamp_of(hand_answer, NOW)
    lines = "".join(f"{n} {h}\n" for n, h in sorted(hand_answer.weekend.inputs.items()))
    assert stamp.digest == hashlib.sha256(lines.encode()).hexdigest()
    assert stamp._replace(inputs={**stamp.inputs, "event.toml": "ac" * 32}).digest != stamp.digest


def test_every_sheet_prints_its_cautions(no_charts, hand_answer, tmp_path):
    words = {
        "tyre_sheet": ("feel every tyre", "Never run a pressure below", "Jack on level ground"),
        "fuel_card": ("Petrol burns", "bring it in"),
    }
    sheet.write_sheets(hand_answer, tmp_path, plans=NONE, now=NOW)
    for name, said in words.items():
        text = (tmp_path / f"{name}.html").read_text(encoding="utf-8")
        for one in (*said, "supplier&#x27;s and the series&#x27; limits", "come first"):
            assert one in text, (name, one)


def test_cards_that_no_longer_hold_are_taken_away(no_charts, hand_answer, tmp_path):
    old = [tmp_path / f"{name}{end}" for name in ("race_card_R0", "run_plan", "sheet")
           for end in (".html", ".pdf")]  # fmt: skip
    for path in [*old, tmp_path / "mine.pdf"]:
        path.write_text("old")
    sheet.write_sheets(hand_answer, tmp_path, plans=NONE, now=NOW)
    left = {p.name for p in tmp_path.iterdir()}
    assert left == {"sheet.html", "tyre_sheet.html", "fuel_card.html", "mine.pdf"}


def sizes_pt():
    """Font size in pt by selector, as sheet.css says."""
    rules = re.findall(r"([^{}]+)\{([^{}]*)\}", re.sub(r"/\*.*?\*/", "", css("sheet"), flags=re.S))
    found = {}
    for selectors, body in rules:
        size = re.search(r"font(?:-size)?:\s*(\d+)pt", body)
        if size:
            found |= {s.strip(): int(size[1]) for s in selectors.split(",")}
    return found


def test_sizes_that_are_read_at_arms_length():
    """What must be read 14 pt or more, corners 24 pt or more: our own rule, no source."""
    sizes = sizes_pt()
    for selector in (".corner .place", ".corner .tyre", ".corner .set", ".rows td.huge"):
        assert sizes[selector] >= 24, selector
    for selector in ("body", "h1", "h2", ".rows td.big", ".rows th.row", ".cold"):
        assert sizes[selector] >= 14, selector
    assert not [s for s in sizes if "caution" in s or ".warn" in s or s in ("p", "li", "td")]
    assert min(sizes.values()) >= 9


def test_tread_to_measure_is_what_runs_next_and_what_has_run_since(hand_answer):
    """Worked out by hand: N5 to N8 run next; N3, N4 ran 9 laps and were measured at 9."""
    table = tread_to_measure(hand_answer).set_index("tyre_id")
    assert list(table.index) == ["N5", "N6", "N7", "N8"]
    assert set(table["why"]) == {"runs next"}
    hand_answer.weekend.tyres.loc[2, "age_laps"] = 15.0
    table = tread_to_measure(hand_answer).set_index("tyre_id")
    assert table.loc["N3", "laps_since"] == 6.0
    assert table.loc["N3", "read_mm"] == pytest.approx(5.4)
    assert table.loc["N3", "why"] == "has run"


def test_there_are_boxes_to_write_in(no_charts, text):
    for name in ("set cold", "hot", "weighed kg", "filled L", "by, checked by"):
        assert f'<span class="blank"><i></i>{name}</span>' in text
    assert text.count('<td class="write"></td>') >= 4 * 3 + 2


def test_an_impossible_plan_and_a_finished_weekend_still_make_a_sheet(no_charts, hand_answer):
    hand_answer.allocation.status = "impossible"
    hand_answer.allocation.blocked_by = ("at most 8 new tyres",)
    hand_answer.allocation.table = hand_answer.allocation.table.iloc[:0]
    hand_answer.next_session = hand_answer.cold_pressures = None
    assert "at most 8 new tyres" in sheet.sheet_html(hand_answer, NOW, NONE)
    hand_answer.allocation.status = "optimal"
    hand_answer.weekend.next_session = None
    hand_answer.fuel_loads = {}
    assert "No session is left" in sheet.sheet_html(hand_answer, NOW, NONE)


def test_a_load_that_is_not_enough_says_so_in_place_of_litres(no_charts, hand_answer):
    load = hand_answer.fuel_loads["Q"]
    load.status, load.blocked_by = "impossible", ("Q needs 80 L and the tank holds 14.2 L",)
    text = sheet.sheet_html(hand_answer, NOW, NONE)
    assert '<div class="figure">not enough</div>' in text and "needs 80 L" in text
    assert '<div class="figure">14.2 L</div>' not in text
