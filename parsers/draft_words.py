"""Words of the trade in English, German, French and Spanish that dumps print, and what they mean.

Common practice, no source: collected as column titles and display words that instruments and
people use. A word proposes; the values beside it must agree before a draft is sure.
"""

from __future__ import annotations

import re
import unicodedata

TITLES: dict[str, tuple[str, ...]] = {
    "slot": ("no", "nr", "num", "number", "slot", "entry", "index", "memory", "mem", "record no",
             "pos", "lfd nr", "platz", "speicherplatz", "numero", "ligne", "rang", "ranura",
             "registro", "posicion", "n"),
    "label": ("label", "id", "name", "link", "fibre id", "fiber id", "cable", "ident",
              "identifier", "circuit", "port", "kennung", "bezeichnung", "bezeichner", "strecke",
              "faser id", "repere", "etiquette", "nom", "lien", "liaison", "identifiant",
              "etiqueta", "enlace", "nombre", "identificador", "fibre", "fiber", "faser", "fibra",
              "par", "pair", "kabel"),
    "fibre_position": ("fibre", "fiber", "fibre no", "fiber no", "core", "strand", "faser",
                       "ader", "faser nr", "brin", "fibra", "hilo"),
    "wavelength": ("wavelength", "wave", "nm", "lambda", "wl", "wellenlaenge", "wellenlange",
                   "welle", "longueur d onde", "onde", "longitud de onda", "onda"),
    "power": ("power", "level", "rx", "received", "receive level", "dbm", "pegel", "leistung",
              "empfangspegel", "empfang", "puissance", "niveau", "recu", "potencia", "nivel"),
    "attenuation": ("loss", "attenuation", "insertion loss", "il", "db", "daempfung", "dampfung",
                    "einfuegedaempfung", "einfugedampfung", "verlust", "perte", "affaiblissement",
                    "attenuation", "perdida", "atenuacion"),
    "reference": ("ref", "reference", "zero", "zero level", "reference level", "bezug",
                  "bezugspegel", "referenz", "nullung", "nullpegel", "tarage", "referencia",
                  "cero"),
    "clock": ("date", "time", "clock", "stamp", "timestamp", "date time", "taken", "measured",
              "tested", "at", "datum", "zeit", "uhrzeit", "zeitpunkt", "gemessen", "heure",
              "releve le", "mesure le", "fecha", "hora", "when", "day", "tag", "jour", "dia"),
    "direction": ("dir", "direction", "way", "richtung", "sens", "direccion", "sentido"),
    "verdict": ("result", "verdict", "pass fail", "status", "mark", "ergebnis", "urteil",
                "bewertung", "resultat", "verdicto", "resultado"),
    "meter_serial": ("serial", "serial no", "serial number", "meter", "meter serial", "meter unit",
                     "unit", "instrument", "geraet", "gerat", "messgeraet", "messgerat",
                     "messgeraet nr", "messgerat nr", "seriennummer", "appareil", "mesureur",
                     "no de serie", "equipo", "medidor", "numero de serie"),
    "source_serial": ("source", "source serial", "source unit", "light source", "quelle",
                      "lichtquelle", "fuente", "source lumineuse"),
    "operator": ("operator", "tester", "by", "tested by", "technician", "user", "pruefer",
                 "prufer", "bediener", "techniker", "operateur", "technicien", "operador",
                 "tecnico"),
    "length": ("length", "distance", "laenge", "lange", "longueur", "longitud", "distancia"),
    "limit": ("limit", "margin", "budget", "grenzwert", "grenze", "reserve", "limite", "marge",
              "margen", "headroom"),
}  # fmt: skip
"""Loose title (see `loose`) to the field or quantity that it usually heads."""

STATES: dict[str, tuple[str, ...]] = {
    "under-range": ("lo", "low", "under", "under range", "ul", "unter", "zu niedrig", "bas",
                    "trop bas", "bajo"),
    "over-range": ("hi", "high", "over", "over range", "sat", "sature", "ueber", "uber",
                   "zu hoch", "haut", "trop haut", "alto", "saturado"),
    "no-light": ("no light", "dark", "kein licht", "dunkel", "pas de lumiere", "sans lumiere",
                 "noir", "sin luz", "oscuro"),
    "not-measured": ("not measured", "not tested", "n m", "n t", "nicht gemessen", "n g",
                     "non mesure", "no medido", "s m", "skipped", "ausgelassen", "saute",
                     "omitido"),
}  # fmt: skip
"""Words in place of a value whose meaning the trade does not dispute."""

TOTALS = ("total", "totals", "sum", "mean", "average", "avg", "count", "max", "min", "maximum",
          "minimum", "summe", "mittel", "mittelwert", "gesamt", "anzahl", "somme", "moyenne", "moy",
          "nombre", "suma", "media", "promedio", "totales")  # fmt: skip
"""Words that begin the rows under a table which sum it up."""
PASS = ("pass", "passed", "ok", "good", "bestanden", "gut", "reussi", "bon", "conforme",
        "correcto", "aprobado", "pasa")  # fmt: skip
FAIL = ("fail", "failed", "not ok", "bad", "nicht bestanden", "schlecht", "echec", "mauvais",
        "non conforme", "incorrecto", "fallo", "no pasa", "over")  # fmt: skip
_A_TO_B = re.compile(r"a\W*(?:>|→|to|nach|vers|a)\W*b|a-?b|a/b", re.IGNORECASE)
_B_TO_A = re.compile(r"b\W*(?:>|→|to|nach|vers|a)\W*a|b-?a|b/a", re.IGNORECASE)


def loose(text: str) -> str:
    """Write a word as the lists do: lower case, no accents, single spaces for other signs."""
    bare = unicodedata.normalize("NFKD", text.replace("ß", "ss").replace("λ", "lambda"))
    bare = "".join(sign for sign in bare if not unicodedata.combining(sign)).lower()
    return re.sub(r"[^a-z0-9]+", " ", bare).strip()


def title_kinds(title: str) -> tuple[str, ...]:
    """Name the kinds that a title usually heads, the longest matching phrase first."""
    words = re.sub(r"\b\d+\b|\b(?:nm|dbm|db|mw|uw|nw)\b", " ", loose(title)).split()
    bare = " ".join(words) or loose(title)
    found: list[tuple[int, str]] = []
    for kind, phrases in TITLES.items():
        for phrase in phrases:
            if re.search(rf"\b{re.escape(phrase)}\b", bare):
                found.append((len(phrase) + 100 * (phrase == bare), kind))
    if not found:
        return ()
    longest = max(length for length, _ in found)
    return tuple(dict.fromkeys(kind for length, kind in found if length == longest))


def direction(word: str) -> str:
    """Return `a-b` or `b-a` where a word names both ends in order, else empty."""
    if _A_TO_B.fullmatch(word.strip()):
        return "a-b"
    return "b-a" if _B_TO_A.fullmatch(word.strip()) else ""


def state(word: str) -> str:
    """Return the state that a word in place of a value means beyond dispute, else empty."""
    return next((state for state, words in STATES.items() if loose(word) in words), "")


def totals(word: str) -> bool:
    """Tell whether a word begins a row of totals."""
    return loose(word) in TOTALS


def verdict(word: str) -> str:
    """Return `pass` or `fail` where a word says so, else empty."""
    if loose(word) in PASS:
        return "pass"
    return "fail" if loose(word) in FAIL else ""
