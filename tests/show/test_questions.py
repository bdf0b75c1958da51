"""What `tyrekit new` asks, and what event.toml is after the answers; all values invented."""

import io

import pytest

from tyrekit import commands
from tyrekit.record.event import load_event, parse_event
from tyrekit.record.event_text import template
from tyrekit.show.questions import QUESTIONS, asked_event

ANSWERS = {
    "Name of": 'Wet "Fen" & <b>, round 2', "Time zone": "Europe/Berlin", "Length": "4011,5",
    "Car number": "007", "Mass of the car": "1390", "Driver (": "Zoë", "Fuel tank": "65",
    "Lowest cold": "1,35", "Hot pressure wanted in front": "2.2",
}  # fmt: skip


def talk(answers, text=None):
    """Answer each question by how its prompt begins; lists are given in turn, else Enter."""
    asked, said = [], []
    left = {k: list(v) if isinstance(v, list) else [v] for k, v in answers.items()}

    def ask(prompt):
        asked.append(prompt)
        given = next((v for k, v in left.items() if prompt.startswith(k)), [])
        return given.pop(0) if given else ""

    made = asked_event(template() if text is None else text, ask, said.append)
    return parse_event(made), made, asked, said


def test_every_answer_is_in_the_file_and_its_explanation_stays():
    event, text, _, _ = talk(ANSWERS)
    assert event.meeting.name == ANSWERS["Name of"]
    assert event.meeting.timezone == "Europe/Berlin"
    assert event.circuit.length_m == 4011.5 and event.car.number == "007"
    assert event.car.mass_kg == 1390 and event.drivers[0].name == "Zoë"
    assert event.fuel.tank_l == 65 and event.tyres.cold_minimum_bar == 1.35
    assert (event.tyres.hot_target_bar.front, event.tyres.hot_target_bar.rear) == (2.2, 2.0)
    assert text.count("#") == template().count("#")


def test_enter_everywhere_keeps_the_template():
    event, text, asked, said = talk({})
    assert text == template() and event == parse_event(template())
    assert len(asked) == len(QUESTIONS) + 1 <= 15
    assert all(question.why in prompt for question, prompt in zip(QUESTIONS, asked, strict=False))
    assert any("Enter keeps" in line for line in said)
    assert said[-1].startswith("Not asked, so still the template's: ballast")


def test_a_unit_typed_with_its_number_is_taken():
    event, _, _, said = talk(
        {"Length": "4011,5 m", "Fuel tank": "65l", "Mass of the car": "1390 l"}
    )
    assert event.circuit.length_m == 4011.5 and event.fuel.tank_l == 65
    assert any("'1390 l' is not a number" in line and "in kg" in line for line in said)


def test_a_wrong_answer_is_said_and_asked_again():
    answers = {"Fuel tank": ["lots", "-3", "60"], "Time zone": ["Mars", "Europe/Paris"],
               "Hot pressure wanted at the rear": ["200", "1.3", "1.9"]}  # fmt: skip
    event, _, asked, said = talk(answers)
    assert event.fuel.tank_l == 60 and event.meeting.timezone == "Europe/Paris"
    assert event.tyres.hot_target_bar.rear == 1.9
    assert len(asked) == len(QUESTIONS) + 1 + 5
    words = "\n".join(said)
    assert "'lots' is not a number" in words and "cold_minimum_bar = 1.4" in words


def test_a_timetable_is_typed_a_line_at_a_time():
    lines = ["P1 practice 2026-06-06 9:10 20 min", "then a race", "P1 practice 2026-06-06 10:10 20",
             "Q qualifying 2026-06-06 13:00 12,5 minutes", "R1 race 2026-06-06 12:00 14 laps",
             "R1 RACE 2026-06-07 12:00 14 laps"]  # fmt: skip
    event, text, _, said = talk({"Session": lines})
    assert [(s.id, s.kind, s.minutes, s.laps) for s in event.sessions] == [
        ("P1", "practice", 20, None), ("Q", "qualifying", 12.5, None), ("R1", "race", None, 14),
    ]  # fmt: skip
    assert event.sessions[0].start.isoformat() == "2026-06-06T09:10:00+01:00"
    assert len([line for line in said if "Not understood" in line]) == 2
    assert any("it must follow Q" in line for line in said)
    assert "# stops = {" in text and "# The limits on tyres" in text


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_on_a_terminal_it_asks_and_elsewhere_or_with_yes_it_does_not(tmp_path, monkeypatch):
    answers = iter(["Typed"])
    monkeypatch.setattr("builtins.input", lambda prompt: next(answers, ""))
    monkeypatch.setattr(commands.sys, "stdin", Terminal())
    monkeypatch.setattr(commands.sys, "stdout", Terminal())
    assert commands.main(["new", str(tmp_path / "one")]) == 0
    assert load_event(tmp_path / "one" / "event.toml").meeting.name == "Typed"
    assert commands.main(["new", "--yes", str(tmp_path / "two")]) == 0
    monkeypatch.setattr(commands.sys, "stdin", io.StringIO())
    out = Terminal()
    monkeypatch.setattr(commands.sys, "stdout", out)
    assert commands.main(["new", str(tmp_path / "three")]) == 0
    for name in ("two", "three"):
        assert (tmp_path / name / "event.toml").read_text(encoding="utf-8") == template()
    for words in ("event.toml from top to bottom", f"tyrekit report {tmp_path / 'three'}"):
        assert words in out.getvalue()


def test_stopping_half_way_leaves_nothing(tmp_path, monkeypatch):
    def stop(prompt):
        raise KeyboardInterrupt

    monkeypatch.setattr("builtins.input", stop)
    monkeypatch.setattr(commands.sys, "stdin", Terminal())
    monkeypatch.setattr(commands.sys, "stdout", Terminal())
    assert commands.main(["new", str(tmp_path / "w")]) == 130
    assert not list(tmp_path.iterdir())


def test_a_folder_is_needed_unless_a_spreadsheet_is_asked_for(tmp_path, capsys):
    assert commands.main(["new"]) == 2
    assert "tyrekit new FOLDER" in capsys.readouterr().err
    assert commands.main(["new", "--spreadsheet", str(tmp_path / "e.xlsx")]) == 0
    assert "--from" in capsys.readouterr().out and (tmp_path / "e.xlsx").is_file()


@pytest.mark.parametrize("command", ["lab", "report", "check"])
def test_a_folder_that_is_no_weekend_says_what_to_do(tmp_path, monkeypatch, capsys, command):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a letter.txt").touch()
    assert commands.main([command]) == 2
    said = capsys.readouterr().err
    assert "event.toml" in said and "tyrekit new" in said
