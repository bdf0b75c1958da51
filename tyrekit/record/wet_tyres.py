"""Which tyres are for a wet track: as the tyre list says, else by the words of their spec.

Wets and intermediates have another tread, wear and pressure than dry tyres; the kit's fits and
plans are of dry tyres, and everything that sets wets apart asks here.
"""

from __future__ import annotations

import re
import unicodedata

import pandas as pd

from tyrekit.record.tables import id_ranges

# The trade's words for tyres of a wet track, without accents; common practice, no source.
WORDS = (
    "wet", "wets", "rain", "rains", "inter", "inters", "intermediate", "intermediates",
    "regen", "nass", "nasse", "pluie", "pluies", "mouille", "bagnato", "bagnata", "pioggia",
    "lluvia", "mojado", "mojada", "chuva", "molhado", "molhada", "natte", "regn", "vat", "vata",
    "vatt", "mokry", "mokre", "mokra", "deszcz",
)  # fmt: skip
# How compounds begin and end: Regenreifen, rainmaster, full-wet, Intermédiaire.
BEGINNINGS = (
    "rain", "regenreif", "regenprof", "regendek", "regnd", "intermed", "deszcz", "pluvi",
    "wettyre", "wettire", "nassreif", "дожд", "мокр",
)  # fmt: skip
ENDINGS = ("wet", "wets", "pluie")
SIGNS = ("雨", "ウェット", "ウエット")


def is_wet_spec(spec: str) -> bool:
    """Return whether a spec's words are those of a tyre for a wet or drying track.

    Case, accents and what stands between the words do not matter; parts of other words (terrain,
    winter) do not count.
    """
    if any(sign in unicodedata.normalize("NFC", spec) for sign in SIGNS):
        return True
    apart = re.sub(r"([a-zß-ÿ])([A-ZÀ-Þ])", r"\1 \2", spec)  # FullWet
    plain = unicodedata.normalize("NFKD", apart.casefold())
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return any(
        word in WORDS or word.startswith(BEGINNINGS) or word.endswith(ENDINGS)
        for word in re.findall(r"[^\W\d_]+", plain)
    )


def wet_tyres(tyres: pd.DataFrame) -> pd.Series:
    """Return for each row of a tyre list whether it is a wet: its `wet`, else by its spec.

    Parameters
    ----------
    tyres : DataFrame
        spec, and optionally wet: yes, no or empty, or already told (bool).
    """
    by_spec = [is_wet_spec(str(spec)) for spec in tyres.get("spec", pd.Series("", tyres.index))]
    said = tyres.get("wet", pd.Series("", tyres.index))
    told = {"yes": True, "no": False, "True": True, "False": False}
    found = [told.get(str(word), own) for word, own in zip(said, by_spec, strict=True)]
    return pd.Series(found, index=tyres.index, dtype="bool")


def scrapped_tyres(tyres: pd.DataFrame) -> pd.Series:
    """Return for each row of a tyre list whether it is scrapped: never to run again."""
    said = tyres.get("scrapped", pd.Series("no", tyres.index))
    return said.map(lambda word: str(word) in ("yes", "True")).astype("bool")


def tyre_notes(tyres: pd.DataFrame) -> list[str]:
    """Say which tyres stand apart from the dry ones in hand: the wets, and those scrapped."""
    notes = []
    wets = tyres[wet_tyres(tyres)]
    if len(wets):
        specs = ", ".join(dict.fromkeys(map(str, wets["spec"])))
        notes.append(
            f"{id_ranges(wets['tyre_id'])} are taken as wet-weather tyres, by column wet of the"
            f" tyre list or their spec ({specs}): their readings stand apart from the dry fits and"
            " they are not in the dry plan"
        )
    scrapped = tyres[scrapped_tyres(tyres)]
    if len(scrapped):
        notes.append(
            f"{id_ranges(scrapped['tyre_id'])}: scrapped by the tyre list, not planned with; what"
            " they ran counts in the fits"
        )
    return notes
