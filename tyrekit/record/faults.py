"""What pydantic found wrong, in the words of the kit: key, rule, value, next step."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Annotated, Any, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from tyrekit.errors import EventError
from tyrekit.record.channels import STEMS

Key = str | int
Loc = tuple[Key, ...]

PLAIN = {
    "float_type": "it must be a number, without quotes",
    "int_type": "it must be a whole number, without quotes",
    "int_from_float": "it must be a whole number",
    "string_type": 'it must be text, in quotes: "27"',
    "bool_type": "it must be true or false",
    "bool_parsing": "it must be true or false",
    "dict_type": "it must be a table: { key = value, ... }",
    "model_type": "it must be a table: [name] with key = value lines, or { key = value, ... }",
    "model_attributes_type": "it must be a table: { key = value, ... }",
    "arguments_type": "it must be a table: { mean = ..., sd = ... }",
    "tuple_type": "it must be a list",
    "too_short": "it may not be empty",
    "string_too_short": "it may not be empty",
    "finite_number": "it must be a finite number",
}
MOST = 60  # problems worked out: one message holds no more
LISTS = ("session", "driver", "limit")


def nearest(name: str, known: Iterable[str]) -> str:
    """Return the known name most like `name`, or an empty text."""
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=0.6)
    return close[0] if close else ""


def place(where: str, loc: Loc, label: str = "") -> str:
    """Return where in event.toml a key stands: ``event.toml [[session]] #3 (R1) laps``."""
    if not loc:
        return where
    table, rest = str(loc[0]), loc[1:]
    if table in LISTS:
        head = f"[[{table}]]"
        if rest and isinstance(rest[0], int):
            head += f" #{rest[0] + 1}" + (f" ({label})" if label else "")
            rest = rest[1:]
    else:
        head = f"[{table}]"
    return " ".join(filter(None, (where, head, ".".join(str(part) for part in rest))))


def event_error(
    error: ValidationError, model: type[BaseModel], raw: dict[str, Any], where: str
) -> EventError:
    """Return one `EventError` that says everything a validation found."""
    details = error.errors()
    inner = {detail["loc"][:1] for detail in details if len(detail["loc"]) > 1}
    kept = [d for d in details if d["type"] != "too_short" or d["loc"] not in inner]
    return EventError.joined([_problem(detail, model, raw, where) for detail in kept[:MOST]])


def _problem(
    detail: ErrorDetails, model: type[BaseModel], raw: dict[str, Any], where: str
) -> EventError:
    loc = _without_tags(detail["loc"])
    kind, got, name = detail["type"], detail["input"], str(loc[-1]) if loc else ""
    spot = place(where, loc, _label(loc, raw))
    if kind in ("missing", "missing_argument"):
        if len(loc) == 1:
            return EventError("this table is missing", where=spot, next_step="Add it.")
        return EventError("this key is missing", where=spot, next_step=f"Add {name} = ...")
    if kind in ("extra_forbidden", "unexpected_keyword_argument"):
        known = _keys(model, detail["loc"][:-1])
        if loc[:-1] == ("log",):
            known = [key for key in known if key != "channels"] + list(STEMS)
        close = nearest(name, known)
        step = f"Did you mean {close}?" if close else "Remove it or correct the name."
        rule = f"known here are {', '.join(known)}" if known else ""
        return EventError(f"key {name!r} is not known", where=spot, rule=rule, next_step=step)
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        spot, got = f"{spot} kind", got.get("kind") if isinstance(got, dict) else got
    if kind == "union_tag_not_found" and isinstance(detail["input"], dict):
        return EventError("this key is missing", where=spot, next_step="Add kind = ...")
    return EventError(
        f"{got!r} cannot be used" if not isinstance(got, dict | list) else "it cannot be used",
        where=spot,
        rule=_rule(detail),
        next_step=_step(detail),
    )


def _rule(detail: ErrorDetails) -> str:
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "value_error":
        return str(context["error"])
    if kind in ("literal_error", "union_tag_invalid"):
        return f"it must be one of {context.get('expected') or context.get('expected_tags')}"
    for key, words in (("ge", "at least"), ("gt", "more than"), ("le", "at most"),
                       ("lt", "less than")):  # fmt: skip
        if key in context:
            return f"it must be {words} {context[key]:g}"
    return PLAIN.get(kind, detail["msg"][:1].lower() + detail["msg"][1:])


def _step(detail: ErrorDetails) -> str:
    kind, got = detail["type"], detail["input"]
    if kind == "float_type" and isinstance(got, str):
        return "Write it with a decimal point and no quotes."
    context = detail.get("ctx", {})
    expected = str(context.get("expected") or context.get("expected_tags") or "")
    given = got.get("kind") if isinstance(got, dict) else got
    close = nearest(str(given), [w.strip(" '") for w in expected.replace(" or ", ",").split(",")])
    if kind in ("literal_error", "union_tag_invalid") and close:
        return f"Did you mean {close!r}?"
    if {"ge", "le", "gt", "lt"} & set(detail.get("ctx", {})):
        return "Correct it; look at the unit in the key's name."
    return "Correct it."


def _without_tags(loc: Loc) -> Loc:
    """Drop what pydantic adds to a location: the kind of a limit, our own inner names."""
    if len(loc) > 2 and loc[0] == "limit" and isinstance(loc[1], int):
        return (loc[0], loc[1], *loc[3:])
    if len(loc) > 1 and loc[:2] == ("log", "channels"):
        return ("log", *(part for part in loc[2:] if part != "[key]"))
    return tuple(part for part in loc if part != "[key]")


def _label(loc: Loc, raw: dict[str, Any]) -> str:
    """Return what a list entry calls itself: a session's id, a limit's kind."""
    if len(loc) < 2 or loc[0] not in LISTS or not isinstance(loc[1], int):
        return ""
    entries = raw.get(str(loc[0]), [])
    entry = entries[loc[1]] if isinstance(entries, list) and loc[1] < len(entries) else {}
    if not isinstance(entry, dict):
        return ""
    names = (entry.get(key) for key in ("id", "kind", "name"))
    return next((name for name in names if isinstance(name, str)), "")


def _keys(model: Any, loc: Loc) -> list[str]:
    """Return the keys known at a location of the model."""
    for part in loc:
        choices = _models(model)
        if isinstance(part, int):
            continue
        tagged = [m for m in choices if part in _kinds(m)]
        if tagged:
            model = tagged[0]
            continue
        fields = [f for m in choices if hasattr(m, "model_fields") for n, f in
                  m.model_fields.items() if part in (n, f.alias)]  # fmt: skip
        model = fields[0].annotation if fields else model
    return [key for m in _models(model) for key in _fields(m)]


def _fields(model: Any) -> list[str]:
    if hasattr(model, "model_fields"):
        return [field.alias or name for name, field in model.model_fields.items()]
    return list(getattr(model, "_fields", ()))


def _kinds(model: Any) -> tuple[Any, ...]:
    field = getattr(model, "model_fields", {}).get("kind")
    return get_args(field.annotation) if field else ()


def _models(annotation: Any) -> list[Any]:
    """Return the record classes inside an annotation, however deeply wrapped."""
    if get_origin(annotation) is Annotated:
        return _models(get_args(annotation)[0])
    if isinstance(annotation, type) and _fields(annotation):
        return [annotation]
    return [m for inner in get_args(annotation) for m in _models(inner)]
