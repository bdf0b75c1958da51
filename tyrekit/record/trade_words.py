"""Words by which channels go in the paddock, in plain English, German, French, Spanish, Italian.

Generic trade words, collected by hand: no logger's or control unit's own scheme of names.
"""

from __future__ import annotations

import difflib
import re
from functools import lru_cache
from typing import NamedTuple

from tyrekit.terms import CORNERS

Group = frozenset[str]
ANOTHER = -9.0  # likeness of a name that speaks of another corner, or of none


def _group(words: str) -> Group:
    return frozenset(words.split())


PRESSURE = _group("pressure press pres druck pression presion pressione p")
TEMPERATURE = _group("temperature temp temperatur temperatura temperatures t tc")
FUEL = _group(
    "fuel petrol kraftstoff benzin sprit carburant essence combustible carburante benzina"
)
TYRE = _group("tyre tire reifen pneu pneumatic neumatico gomma pneumatico tpms")
SPEED = _group("speed velocity geschwindigkeit tempo vitesse velocidad velocita v spd vel")
ACCELERATION = _group(
    "acceleration accel acc beschleunigung accelerazione aceleracion force gforce g a"
)
WHEEL = _group("wheel whl rad roue rueda ruota")
CORNER_WORDS: dict[str, tuple[Group, ...]] = {
    "fl": (_group("fl lf vl avg di"), _group("front vorne vorn avant delantera anteriore"),
           _group("left links gauche izquierda sinistra l")),
    "fr": (_group("fr rf vr avd dd"), _group("front vorne vorn avant delantera anteriore"),
           _group("right rechts droite derecha destra r")),
    "rl": (_group("rl lr hl arg ti"), _group("rear hinten arriere trasera posteriore"),
           _group("left links gauche izquierda sinistra l")),
    "rr": (_group("rr hr ard td"), _group("rear hinten arriere trasera posteriore"),
           _group("right rechts droite derecha destra r")),
}  # fmt: skip


class Words(NamedTuple):
    """Groups of which each should be met, and words that speak against a channel."""

    groups: tuple[Group, ...]
    against: Group = frozenset()


WORDS: dict[str, Words] = {
    "time_s": Words(
        (_group("time zeit temps tiempo tempo clock uhrzeit elapsed timestamp t"),),
        _group("lap runde tour vuelta giro sector last best delta zone temp temperature"),
    ),
    "lap": Words(
        (_group("lap laps runde runden tour vuelta giro lapno rundennr"),),
        _group("time zeit distance strecke temps best delta fuel"),
    ),
    "beacon": Words(
        (_group("beacon marker trigger puls pulse impuls bake balise baliza transponder trig"),)
    ),
    "crossing_s": Words((_group("crossing crossed ueberfahrt"), _group("time zeit"))),
    "latitude_deg": Words(
        (_group("lat latitude breite breitengrad latitud latitudine"),),
        _group("acc accel acceleration g beschleunigung force"),
    ),
    "longitude_deg": Words(
        (_group("lon lng long longitude laenge laengengrad longitud longitudine"),),
        _group("acc accel acceleration g beschleunigung force"),
    ),
    "speed_mps": Words(
        (SPEED,),
        _group("wheel whl rad engine motor fan wind turbo roue rueda ruota fl fr rl rr vl vr hl hr"
               " air pump drehzahl temp temperature"),
    ),
    "acceleration_long_mps2": Words(
        (ACCELERATION, _group("long longitudinal laengs x inline vorwaerts longitudinale")),
        _group("lateral quer vertical"),
    ),
    "acceleration_lat_mps2": Words(
        (ACCELERATION, _group("lat lateral quer y trasversale transversal laterale")),
        _group("longitudinal laengs vertical"),
    ),
    "throttle_pct": Words(
        (_group("throttle accelerator gaspedal fahrpedal drossel drosselklappe accelerateur"
                " papillon acelerador acceleratore farfalla gas pedal tps"),),
        _group("brake bremse clutch kupplung temp"),
    ),
    "brake_bar": Words(
        (_group("brake bremse bremsdruck frein freno freins brk"),),
        _group("temp temperature disc switch schalter bias balance scheibe"),
    ),
    "steering_deg": Words(
        (_group("steering steer lenkung lenkwinkel lenkrad volant volante direccion sterzo"),),
        _group("torque moment speed"),
    ),
    "engine_rpm": Words(
        (_group("rpm revs drehzahl motordrehzahl regime giri revolutions revoluciones engine"
                " motor umdrehungen"),),
        _group("temp oil water limit wheel turbo load hours torque"),
    ),
    "gear": Words((_group("gear gang rapport marcha marcia vitesse"),), _group("temp oil ratio")),
    "fuel_flow_l_per_h": Words(
        (FUEL, _group("flow rate durchfluss debit caudal portata flux verbrauch consumption")),
        _group("used total pressure level temp"),
    ),
    "fuel_used_l": Words(
        (FUEL, _group("used total consumed verbraucht utilise consommee usado consumido usata"
                      " verbrauch counter")),
        _group("flow rate pressure level temp durchfluss"),
    ),
    "injector_duty_pct": Words(
        (_group("injector inj einspritz einspritzung injecteur inyector iniettore"),
         _group("duty tastgrad cycle")),
    ),
    "fuel_pressure_bar": Words((FUEL, PRESSURE), _group("tyre tire reifen oil brake")),
    "fuel_c": Words((FUEL, TEMPERATURE), _group("oil water")),
    "intake_air_c": Words(
        (_group("intake inlet manifold ansaug ansaugluft admission admision aspirazione charge"),
         TEMPERATURE), _group("pressure druck"),
    ),
    "coolant_c": Words(
        (_group("coolant water wasser kuehlwasser kuehlmittel eau agua acqua refrigerante"),
         TEMPERATURE), _group("pressure druck"),
    ),
    "oil_c": Words(
        (_group("oil oel huile aceite olio"), TEMPERATURE),
        _group("pressure druck pression gear getriebe"),
    ),
    "air_c": Words(
        (_group("ambient outside aussen umgebung ambiante exterior esterna air luft"),
         TEMPERATURE), _group("intake inlet ansaug pressure admission tyre"),
    ),
    "track_c": Words(
        (_group("track road asphalt strecke fahrbahn piste pista surface"), TEMPERATURE),
        _group("tyre"),
    ),
    "battery_v": Words(
        (_group("battery batt batterie bateria batteria supply bordnetz voltage volt spannung"),),
        _group("sensor lambda temp"),
    ),
}  # fmt: skip
for _corner in CORNERS:
    WORDS[f"tyre_pressure_{_corner}_bar"] = Words((TYRE, PRESSURE), _group("temp temperature"))
    WORDS[f"tyre_temp_{_corner}_c"] = Words((TYRE, TEMPERATURE), _group("pressure druck press"))
    WORDS[f"wheel_speed_{_corner}_mps"] = Words((WHEEL, SPEED), _group("steering lenkrad"))

FOLDED = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "é": "e", "è": "e", "ê": "e",
                        "á": "a", "à": "a", "í": "i", "ì": "i", "ó": "o", "ò": "o", "ú": "u",
                        "ù": "u", "ñ": "n", "ç": "c"})  # fmt: skip
PART = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")


def parts_of(name: str) -> list[str]:
    """Return the words of a name, in lower case without accents."""
    name = name.lower() if name.isupper() else name
    plain = "".join(c.lower().translate(FOLDED) if c.lower() in "äöüßéèêáàíìóòúùñç" else c
                    for c in name)  # fmt: skip
    return [part.lower() for part in PART.findall(plain)]


@lru_cache(maxsize=10_000)
def likeness(channel: str, name: str) -> float:
    """Return how like a channel's words a name is: 1 all met, 0 none, below 0 against it."""
    parts = parts_of(name)
    met = [_met(group, parts) for group in WORDS[channel].groups]
    named = met[0]  # the first group says what it is, the others what of it
    corner = next((c for c in CORNERS if f"_{c}_" in channel), None)
    if corner is not None:
        if corner_of(parts) != corner:  # nothing but a name tells corners apart
            return ANOTHER
        met.append(True)
    against = 0.7 if any(word in parts for word in WORDS[channel].against) else 0.0
    return (1.0 if named else 0.3) * sum(met) / len(met) - against


def corner_of(parts: list[str]) -> str | None:
    """Return the corner a name speaks of, or None."""
    for corner, (short, axle, side) in CORNER_WORDS.items():
        if any(part in short for part in parts):
            return corner
        if any(part in axle for part in parts) and any(part in side for part in parts):
            return corner
    return None


def _met(group: Group, parts: list[str]) -> bool:
    """Whether a name holds a word: as a part, within a compound, or misspelt."""
    joined = "".join(parts)
    if any(part in group for part in parts):
        return True
    if any(len(word) >= 4 and word in joined for word in group):
        return True
    if any(len(word) == 3 and part.startswith(word) for part in parts for word in group):
        return True
    long = [part for part in parts if len(part) >= 4]
    return any(
        difflib.SequenceMatcher(None, part, word).ratio() > 0.84
        for part in long for word in group if len(word) >= 5
    )  # fmt: skip
