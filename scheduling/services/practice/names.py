"""Names of the practice cooperative. All are made up; none is a place, a brand or a person."""

from itertools import product
from typing import NamedTuple

COOPERATIVE = "Three Brooks practice cooperative"
BENCHES = (("Mill bench", "In the old mill, first door"), ("Orchard bench", "In the cider house"))
STATION = "Lantern hill"


class MemberName(NamedTuple):
    """A member's business, who acts for it, and its two apiaries."""

    business: str
    person: str
    apiaries: tuple[str, str]


MEMBERS: tuple[MemberName, ...] = (
    MemberName("Alder Row", "Mirel Tansow", ("Alder bank", "Long acre")),
    MemberName("Quince Court", "Jonte Arvelin", ("Quince wall", "Upper ditch")),
    MemberName("Sallow Garden", "Sefa Okrim", ("Sallow bend", "Quarry foot")),
    MemberName("Five Limes", "Tilde Marrowick", ("Lime walk", "Clay pit")),
    MemberName("Thistle Yard", "Benno Quastelin", ("Thistle yard", "South slope")),
    MemberName("Heather Ridge", "Aruna Feldtov", ("Heather edge", "Sheep wash")),
    MemberName("Old Ferry", "Pavo Lindrask", ("Ferry landing", "Reed meadow")),
    MemberName("Rapefield End", "Yara Holmedal", ("Field end", "Mill pond")),
    MemberName("Medlar House", "Odo Brankertz", ("Medlar hedge", "Sand rise")),
    MemberName("Two Willows", "Nelis Vargamo", ("Willow drain", "Stone bridge")),
    MemberName("Wether Down", "Runa Teaslow", ("Down gate", "Beech hangar")),
    MemberName("Plum Orchard", "Imre Soldana", ("Plum rows", "Charcoal clearing")),
)

# More members where a larger cooperative is wanted: every first word with every second.
GROWN = ("Aspen", "Barley", "Cherry", "Damson", "Elder", "Furze", "Gean", "Hazel", "Juniper", "Larch", "Maple", "Oat")
GROUND = (
    *("Bottom", "Croft", "Dell", "Edge", "Fold", "Garth", "Hollow", "Knoll", "Lea", "Mead", "Nook", "Paddock", "Reach"),
    *("Shaw", "Thwaite", "Vale", "Warren", "Yard", "Bank", "Corner", "Drove", "Gate", "Hatch", "Stile", "Toft"),
)
FIRST = (
    *("Alwin", "Brisa", "Corvan", "Delia", "Ebbo", "Fenna", "Gisel", "Hanno", "Ilva", "Jorin", "Kaja", "Lumo", "Merit"),
    *("Noor", "Ottil", "Pellan", "Quira", "Roan", "Silja", "Tarmo", "Ulla", "Veit", "Wenke", "Xaver", "Ylva"),
)
LAST = (
    *("Abendry", "Brockmor", "Calvast", "Dreyling", "Elmstad", "Farrow"),
    *("Gildren", "Hollin", "Iversk", "Jostrand", "Kesselin", "Lorvik"),
)


def members_invented(count: int) -> tuple[MemberName, ...]:
    """The named members, then as many more as are wanted (312 in all); the same names every time."""
    more = [
        MemberName(f"{grown} {ground}", f"{first} {last}", (f"{grown} field", f"{ground} side"))
        for (ground, first), (grown, last) in product(zip(GROUND, FIRST, strict=True), zip(GROWN, LAST, strict=True))
    ]
    return (*MEMBERS, *more)[:count]


# Who does what for the cooperative: (local part of the address, name, roles). The first two belong to no member.
COORDINATOR = "coordinator"
OFFICES: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("coordinator", "Karin Ostrowel", ("coordinator",)),
    ("breeder", "Dmitar Hasselin", ("breeder",)),
    ("operator", "Lene Morvaig", ("operator",)),
    ("operator2", "Tomas Wiederow", ("operator",)),
    ("all", "Greta Allerhand", ("coordinator", "breeder", "operator")),
)
MEMBER_OF_ALL_ROLES = 11  # the person with every role also acts for this member

LINES = ("Bramble", "Fernhill", "Millrace", "Osier", "Teasel", "Larkspur")
FOUNDERS_PER_LINE = ("root", "stem", "leaf")

# One for each batch of sisters in the stock: mother and year.
PLANTS = (
    *("Agrimony", "Alkanet", "Angelica", "Balsam", "Basil", "Bellflower", "Betony", "Bindweed", "Borage", "Broom"),
    *("Bugle", "Burdock", "Campion", "Caraway", "Catmint", "Celandine", "Centaury", "Chervil", "Chicory", "Clary"),
    *("Clover", "Columbine", "Comfrey", "Coriander", "Cornel", "Cowslip", "Cranesbill", "Daphne", "Dittany", "Dogrose"),
    *("Elder", "Eyebright", "Fennel", "Foxglove", "Fumitory", "Gorse", "Harebell", "Hawkbit", "Hellebore", "Honesty"),
    *("Hyssop", "Ivy", "Knapweed", "Lavage", "Linden", "Lupin", "Madder", "Mallow"),
)
# Batches of the running season.
BIRDS = (
    *("Avocet", "Bittern", "Bunting", "Chough", "Corncrake", "Curlew", "Dabchick", "Dipper", "Dotterel", "Dunlin"),
    *("Fieldfare", "Firecrest", "Godwit", "Goldeneye", "Greenshank", "Hobby", "Jackdaw", "Kestrel", "Lapwing"),
    *("Linnet", "Merlin", "Nightjar", "Nuthatch", "Osprey", "Ouzel", "Pipit", "Plover", "Redstart"),
)
# Drone sources of the running season.
STONES = ("Flint", "Slate", "Chalk", "Marl", "Basalt", "Shale", "Gravel", "Schist", "Tuff", "Loam", "Pumice")
