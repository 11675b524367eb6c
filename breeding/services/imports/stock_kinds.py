"""The tables of the stock: apiaries, queens, matings, colonies, scores. Checked and written by the loader's rules."""

from dataclasses import replace
from functools import partial

from django.utils.translation import gettext_lazy as _

from breeding.models import MatingKind
from breeding.scoring import TRAITS
from breeding.services.imports.kinds import DAY, NUMBER, WHOLE, WORD, Column, Kind, words_for
from breeding.services.imports.stock_check import stock_check
from breeding.services.imports.undoing import made_remove

TRAIT_WORDS = {
    "honey_yield": ("honey", "honig", "honigertrag", "honigleistung", "miel", "rendement en miel", "cosecha de miel"),
    "gentleness": ("temper", "sanftmut", "sanft", "douceur", "mansedumbre"),
    "calmness": ("wabensitz", "wabenstetigkeit", "tenue au cadre", "permanencia en el panal"),
    "swarming": ("swarming drive", "schwarmtrieb", "schwarmneigung", "essaimage", "enjambrazón"),
    "pin_test": ("hygiene", "nadeltest", "test à l'aiguille", "prueba del alfiler", "hygienic behaviour"),
    "overwintering": ("wintering", "überwinterung", "hivernage", "invernada"),
    "varroa": ("mites", "milben", "varroen", "varroas", "ácaros"),
}
KIND_WORDS: dict[str, tuple[str, ...]] = {
    MatingKind.SINGLE_DRONE: ("single drone", "one drone", "ein drohn", "un seul mâle", "un solo zángano"),
    MatingKind.DPQ: ("one source", "eine drohnenmutter", "une source", "una fuente"),
    MatingKind.POOL: ("mixed", "mischung", "mélange", "mezcla"),
    MatingKind.BATCH: ("shared batch", "gemeinsame mischung", "mélange partagé", "mezcla compartida"),
    MatingKind.STATION: ("mating station", "belegstelle", "station de fécondation", "estación de fecundación"),
    MatingKind.OPEN: ("open mating", "standbegattung", "fécondation libre", "fecundación libre"),
}
METHOD_WORDS = {
    "pin": ("nadel", "aiguille", "alfiler", "needle"),
    "frozen": ("freeze", "gefroren", "gefrier", "congelé", "congelado"),
}


def trait_words() -> dict[str, str]:
    return words_for(TRAIT_WORDS, {key: _(trait.name) for key, trait in TRAITS.items()})


def kind_words() -> dict[str, str]:
    return words_for(KIND_WORDS, {str(kind): kind.label for kind in MatingKind})


def method_words() -> dict[str, str]:
    return words_for(METHOD_WORDS, {})


PLACE_WORDS = ("place", "ort", "lieu", "lugar")
REASON_WORDS = ("reason", "grund", "raison", "motivo")

MEMBER = Column(
    "member", _("Member"), ("mitglied", "imkerei", "betrieb", "membre", "miembro", "socio"),
    required=True, example="Fellside", help=_("Whose apiary it is. Without this column: the member chosen below."),
)  # fmt: skip
APIARY = Column(
    "apiary", _("Apiary"), ("stand", "bienenstand", "standort", "rucher", "apiario", "colmenar"),
    required=True, example="Orchard",
)  # fmt: skip
COLONY = Column(
    "colony", _("Colony"), ("hive", "hive number", "volk", "volknummer", "stock", "stocknummer", "colonie", "ruche",
                            "colonia", "colmena"),
    required=True, example="12", help=_("Its number or name at this apiary."),
)  # fmt: skip
NOTE = Column(
    "note", _("Note"), ("notes", "remark", "comment", "notiz", "bemerkung", "remarque", "commentaire", "nota",
                        "observaciones"),
)  # fmt: skip
QUEEN = Column(
    "queen", _("Queen"), ("label", "queen label", "königin", "bezeichnung", "name", "reine", "reina", "etiqueta"),
    example="Rowan 25-A",
)  # fmt: skip

APIARIES = Kind(
    "apiaries",
    _("Apiaries"),
    _("One row for each apiary."),
    "map-pin",
    (
        MEMBER,
        replace(APIARY, words=(*APIARY.words, "name")),
        Column("place", _("How to find it"), (*PLACE_WORDS, "adresse"), example="Mill lane"),
        Column(
            "registration_number", _("Registration number"),
            ("registration", "registriernummer", "betriebsnummer", "numéro d'enregistrement", "número de registro"),
        ),
    ),
    partial(stock_check, "apiaries.csv"),
    made_remove,
    member="member",
)  # fmt: skip

QUEENS = Kind(
    "queens",
    _("Queens"),
    _("One row for each queen; daughters and mothers in any order."),
    "queen",
    (
        replace(QUEEN, required=True, help=_("Her label, which names her on every list.")),
        replace(MEMBER, key="owner", label=_("Belongs to"),
                words=("owner", "member", *MEMBER.words, "besitzer", "propriétaire", "propietario", "dueño"),
                help=_("The member. Without this column: the member chosen below.")),
        Column("mother", _("Mother"), ("mutter", "muttervolk", "mère", "madre", "dam"), example="Rowan 23-C"),
        Column("line", _("Line"), ("linie", "zuchtlinie", "lignée", "línea", "linaje"), example="Rowan"),
        Column("emerged_on", _("Emerged on"), ("emerged", "emergence", "schlupf", "schlupftag", "geschlüpft",
                                               "geschlüpft am", "naissance", "née le", "nacida", "nacida el"),
               DAY, example="2025-06-09"),
        Column("birth_year", _("Year"), ("birth year", "jahr", "jahrgang", "geburtsjahr", "année", "año"), WHOLE,
               example="2025"),
        Column("origin", _("Origin"), ("herkunft", "origine", "origen", "procedencia"),
               help=_("Where she came from, when her mother is not known.")),
        Column("mark_number", _("Number of her disc"), ("mark", "disc", "plättchen", "zeichnung",
                                                        "zeichennummer", "pastille", "marque", "marca", "número"),
               example="47"),
        Column("gone_on", _("Gone on"), ("gone", "lost", "died", "verloren", "verloren am", "abgegangen", "tot",
                                         "perdue le", "perdida el"), DAY),
        Column("gone_reason", _("What happened"), (*REASON_WORDS, "abgangsgrund")),
        NOTE,
    ),
    partial(stock_check, "queens.csv"),
    made_remove,
    member="owner",
)  # fmt: skip

MATINGS = Kind(
    "matings",
    _("Matings"),
    _("One row for each drone source of a mating; rows of the same queen belong together."),
    "git-merge",
    (
        QUEEN,
        Column("kind", _("How she was mated"), ("kind", "mating", "art", "begattung", "begattungsart", "paarungsart",
                                                "fécondation", "type", "tipo", "fecundación"),
               WORD, example="pool", choices=kind_words),
        Column("mated_on", _("Mated on"), ("mated", "date", "begattet", "begattet am", "besamt", "besamt am", "datum",
                                           "fécondée le", "inséminée le", "fecha", "fecundada el", "inseminada el"),
               DAY, example="2025-06-21"),
        Column("drone_queen", _("Drone-producing queen"), ("drone source", "source", "drone mother", "drohnenmutter",
                                                           "vatermutter", "mère à mâles", "fuente",
                                                           "madre de zánganos"), example="Fell 23-B"),
        Column("volume_ul", _("Volume of this source, µl"), ("volume", "ul", "µl", "volumen", "menge"), NUMBER,
               example="4.0"),
        Column("drones", _("Drones"), ("drohnen", "anzahl drohnen", "mâles", "zánganos", "number of drones"), WHOLE,
               example="9"),
        Column("batch", _("Shared semen batch"), ("batch", "mischung", "charge", "lot", "mélange", "mezcla", "lote")),
        Column("total_ul", _("Volume in all, µl"), ("total", "total volume", "gesamt", "gesamtvolumen",
                                                    "volumen total", "volume total"), NUMBER, example="8.0"),
        Column("station_mother", _("Mother of the drone-producing queens"),
               ("station mother", "drohnenmutter der belegstelle")),
        Column("station_queens", _("Drone-producing queens there"), ("station queens", "anzahl drohnenvölker"), WHOLE),
        Column("place", _("Where"), (*PLACE_WORDS, "station", "mating station", "belegstelle")),
    ),
    partial(stock_check, "matings.csv"),
    made_remove,
)  # fmt: skip

COLONIES = Kind(
    "colonies",
    _("Colonies"),
    _("One row for each queen of a colony; a colony without a recorded queen has one row."),
    "inbox",
    (
        MEMBER,
        APIARY,
        COLONY,
        Column("established_on", _("Established on"), ("established", "gegründet", "gegründet am", "gebildet am",
                                                       "créée le", "formée le", "formada el"), DAY),
        QUEEN,
        Column("since", _("Since"), ("from", "seit", "ab", "depuis", "desde"), DAY, example="2025-07-01",
               help=_("Since when she heads it.")),
        Column("until", _("Until"), ("to", "bis", "jusqu'au", "hasta"), DAY),
        Column("ended_on", _("Ended on"), ("ended", "end", "ende", "aufgelöst am", "finie le", "fin", "terminada el"),
               DAY),
        Column("ended_reason", _("Why it ended"), REASON_WORDS),
        NOTE,
    ),
    partial(stock_check, "colonies.csv"),
    made_remove,
    member="member",
)  # fmt: skip

SCORES = Kind(
    "scores",
    _("Scores"),
    _("One row for each trait of a visit to a colony."),
    "pencil",
    (
        MEMBER,
        APIARY,
        COLONY,
        Column("trait", _("Trait"), ("merkmal", "eigenschaft", "caractère", "critère", "carácter", "rasgo"), WORD,
               required=True, example="gentleness", choices=trait_words),
        Column("scored_on", _("Day of the visit"), ("scored on", "date", "day", "datum", "tag", "bewertet am",
                                                    "date de la visite", "fecha", "día", "fecha de la visita"),
               DAY, required=True, example="2026-06-09",
               help=_("The score goes to the queen who headed the colony that day.")),
        Column("value", _("Value"), ("score", "points", "wert", "punkte", "note", "bewertung", "valeur", "points",
                                     "valor", "puntos"), NUMBER, example="3.5"),
        Column("part", _("Counted part"), ("part", "cleaned", "ausgeräumt", "spring", "frühjahr", "partie", "parte"),
               WHOLE, help=_("Of traits that are counted: cells cleaned out, bees in spring, mites.")),
        Column("whole", _("Counted whole"), ("whole", "total", "gesamt", "autumn", "herbst", "total compté"), WHOLE,
               help=_("Of traits that are counted: cells killed, bees in autumn, bees.")),
        Column("method", _("Method"), ("methode", "méthode", "método"), WORD, choices=method_words,
               help=_("Of the pin test: pin or frozen.")),
        Column("hours", _("Hours until read"), ("hours", "stunden", "heures", "horas"), NUMBER),
        NOTE,
    ),
    partial(stock_check, "scores.csv"),
    made_remove,
    member="member",
)  # fmt: skip
