"""Which headings of a file mean which of our columns: one table, English and German.

Case, spaces, punctuation and umlauts written out make no difference, and a column's own unit may follow. A heading with
another unit (cm, miles) is none of ours. Where two headings could both be meant, nobody guesses: whoever imports says
it. The first heading of each language stands in the example files.
"""

from __future__ import annotations

import itertools
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from typing import Final

Headings = tuple[str, ...]
_OF_HEIGHTS: Final[Mapping[str, Headings]] = {
    "en": ("height", "ride height", "wheel arch height", "hub to arch"),
    "de": ("Höhe", "Fahrhöhe", "Standhöhe", "Höhenstand", "Niveau"),
}
_CORNERS: Final[Mapping[str, Mapping[str, Headings]]] = {
    "FL": {"en": ("front left", "FL", "left front", "LF"), "de": ("vorne links", "VL", "vorn links", "links vorne")},
    "FR": {
        "en": ("front right", "FR", "right front", "RF"),
        "de": ("vorne rechts", "VR", "vorn rechts", "rechts vorne"),
    },
    "RL": {"en": ("rear left", "RL", "left rear", "LR"), "de": ("hinten links", "HL", "links hinten")},
    "RR": {"en": ("rear right", "RR", "right rear"), "de": ("hinten rechts", "HR", "rechts hinten")},
}
UNITS: Final[Mapping[str, Headings]] = {
    "odometer_km": ("km", "kilometres", "Kilometer"),
    "temperature_deg_c": ("°C", "C", "deg C", "Grad", "Celsius"),
    **{f"{corner}_mm": ("mm", "millimetres", "Millimeter") for corner in _CORNERS},
}


def _of_corner(corner: str) -> dict[str, Headings]:
    return {
        language: tuple(
            dict.fromkeys(
                joined
                for what, place in itertools.product(_OF_HEIGHTS[language], places)
                for joined in (f"{what} {place}", place, f"{place} {what}")
            )
        )
        for language, places in _CORNERS[corner].items()
    }


HEADINGS: Final[Mapping[str, Mapping[str, Headings]]] = {
    "vin": {
        "en": ("VIN", "VIN number", "VIN no", "vehicle identification number", "chassis number", "chassis no"),
        "de": (
            *("FIN", "FIN-Nr.", "FIN-Nummer", "VIN-Nr.", "VIN-Nummer", "FIN/VIN", "VIN/FIN", "Fahrgestell"),
            *("Fahrgestellnummer", "Fahrgestell-Nr.", "Fahrgestellnr.", "Fahrzeug-Identifizierungsnummer"),
            *("Fahrzeugidentnummer", "Fahrzeug-Identifikationsnummer", "Fahrzeug-Ident-Nr."),
        ),
    },
    "taken_at": {
        "en": (
            *(
                "measured at",
                "date",
                "date and time",
                "date/time",
                "timestamp",
                "measured on",
                "taken at",
                "checked on",
            ),
            *("date of check", "check date", "date of measurement", "measurement date", "date measured", "day"),
        ),
        "de": (
            *("gemessen am", "Datum", "Datum und Uhrzeit", "Datum/Uhrzeit", "Datum, Zeit", "Zeitpunkt", "Zeitstempel"),
            *("Messdatum", "Prüfdatum", "Messzeitpunkt", "geprüft am", "Datum der Messung", "Datum der Prüfung"),
            *("Tag", "Messtag", "Prüftag", "Tag der Messung", "Tag der Prüfung"),
        ),
    },
    "clock": {"en": ("time of day", "time"), "de": ("Uhrzeit", "Zeit")},
    "received_at": {
        "en": ("received at", "received on", "date received", "received"),
        "de": ("eingegangen am", "Eingang", "Eingangsdatum", "erhalten am"),
    },
    "odometer_km": {
        "en": ("odometer", "odometer reading", "odo", "kilometres", "mileage km", "mileage in km", "distance km"),
        "de": (
            *("Kilometerstand", "km", "km-Stand", "Kilometer", "Tachostand", "Tacho", "Laufleistung"),
            *("Kilometerzähler", "KM-Zähler", "gefahrene km"),
        ),
    },
    "instrument": {
        "en": ("instrument", "instrument serial number", "serial number of the instrument", "tape", "gauge"),
        "de": ("Messmittel", "Messgerät", "Maßband", "Bandmaß", "Messgerät-Nr.", "Seriennummer des Messgeräts"),
    },
    "loading": {
        "en": ("loading", "load", "load condition", "loaded"),
        "de": ("Beladung", "Beladungszustand", "Ladung", "beladen"),
    },
    **{f"{corner}_mm": _of_corner(corner) for corner in _CORNERS},
    "temperature_deg_c": {
        "en": ("temperature", "temp", "air temperature", "outside temperature", "ambient temperature"),
        "de": ("Temperatur", "Lufttemperatur", "Außentemperatur", "Umgebungstemperatur"),
    },
    "confirmed": {"en": ("confirmed",), "de": ("bestätigt",)},
    "note": {
        "en": ("note", "notes", "remark", "remarks", "comment", "comments"),
        "de": ("Bemerkung", "Bemerkungen", "Anmerkung", "Anmerkungen", "Notiz", "Notizen", "Kommentar", "Hinweis"),
    },
    "registration": {
        "en": (
            *("registration", "reg. no.", "reg no", "reg", "reg number", "registration number", "registration no"),
            *("registration mark", "plate", "plate no", "plate number", "number plate", "licence plate"),
            *("license plate", "licence plate number", "license plate number"),
        ),
        "de": (
            *("Kennzeichen", "amtl. Kennzeichen", "amtliches Kennzeichen", "polizeiliches Kennzeichen"),
            *("Kfz-Kennzeichen", "Pol. Kennzeichen", "Nummernschild"),
        ),
    },
    "make": {
        "en": ("make", "manufacturer", "brand", "vehicle make"),
        "de": ("Hersteller", "Marke", "Fabrikat", "Fahrzeughersteller"),
    },
    "model": {
        "en": ("model", "vehicle model", "model name"),
        "de": ("Modell", "Fahrzeugmodell", "Typ", "Fahrzeugtyp", "Baureihe"),
    },
    "model_year": {
        "en": ("model year", "year", "MY", "year of manufacture", "build year"),
        "de": ("Modelljahr", "Baujahr", "Jahr"),
    },
    "operator": {
        "en": ("operator", "customer", "owner", "keeper", "fleet", "company"),
        "de": ("Halter", "Betreiber", "Kunde", "Fahrzeughalter", "Eigentümer", "Flotte", "Firma"),
    },
}
"""By column and language; what does not stand here is known by its own name only."""


def candidates(columns: Iterable[str], headings: Sequence[str]) -> dict[str, list[str]]:
    """Each of our columns with the headings that could hold it: one alone is the one.

    A column's own name, exactly as the interface's description has it, is that column, whatever else there is.
    """
    plain = [(_plain(each), each) for each in headings if each]
    found = {}
    for name in columns:
        found[name] = [name] if name in headings else [each for key, each in plain if key in _keys(name)]
    return {name: those for name, those in found.items() if those}


def heading(name: str, language: str) -> str:
    """How a column is headed in a file that people of a language write."""
    of_column = HEADINGS.get(name, {})
    words = of_column.get(language) or of_column.get("en") or (name,)
    unit = UNITS.get(name, ())
    return f"{words[0]} ({unit[0]})" if unit else words[0]


@cache
def _keys(name: str) -> frozenset[str]:
    if name not in HEADINGS:  # a workshop's “ID” is none of ours
        return frozenset()
    words = itertools.chain.from_iterable(HEADINGS[name].values())
    return frozenset(key for word in (name, *words) for key in _with_units(word, UNITS.get(name, ())))


def _with_units(word: str, units: Iterable[str]) -> Iterator[str]:
    yield _plain(word)
    for unit in units:
        yield _plain(f"{word} {unit}")
        yield _plain(f"{word} in {unit}")


_UMLAUTS: Final = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue"})


def _plain(text: str) -> str:
    """Letters and digits alone: “Höhe vorne-links [mm]” is hoehevornelinksmm."""
    folded = unicodedata.normalize("NFC", text).casefold().translate(_UMLAUTS)
    return "".join(each for each in unicodedata.normalize("NFKD", folded) if each.isalnum())
