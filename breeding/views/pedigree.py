"""Who stands behind this queen, and who twice?"""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_safe

from breeding.models import MatingKind
from breeding.queries.behind import Behind, Part, appearances, behind
from breeding.views.shared import queen_or_404
from viz.pedigree import Ancestor, Words, draw_pedigree, known_by_generation

CHOICES = (2, 3, 4, 5)


@require_safe
def pedigree(request: HttpRequest, pk: int) -> HttpResponse:
    shown = queen_or_404(request, pk)
    most = max(CHOICES)
    found = behind(shown, most)
    known = known_by_generation(_queen(found, shown.pk, most), most)
    asked = request.GET.get("generations", "")
    deepest = max((depth for depth in CHOICES if known[depth - 1]), default=min(CHOICES))
    generations = int(asked) if asked in {str(choice) for choice in CHOICES} else deepest
    root = _queen(found, shown.pk, generations)
    drawing = draw_pedigree(root, generations=generations, uid=f"pedigree-{pk}", words=_words())
    twice = [(found.queens[id_], number) for id_, number in appearances(found, generations).items() if number > 1]
    return render(
        request,
        "breeding/pedigree.html",
        {
            "queen": shown,
            "drawing": drawing,
            "generations": generations,
            "choices": CHOICES,
            "known": list(enumerate(known[:generations], start=1)),
            "complete": sum(known[:generations]),
            "twice": sorted(twice, key=lambda row: (-row[1], row[0].label)),
        },
    )


def _words() -> Words:
    return Words(
        title=_("Pedigree"),
        unknown=_("not known"),
        twice=_("stands here more than once"),
        queen=_("queen"),
        drones=_("drones"),
        head=(_("Generation"), _("Who"), _("Kind"), _("Behind whom"), _("Note")),
    )


def _queen(found: Behind, pk: int, left: int) -> Ancestor:
    queen = found.queens[pk]
    mother = queen.mother_id if queen.mother_id in found.queens else None
    if left == 0 or mother is None:
        return Ancestor(f"q{pk}", queen.label, "queen", _year(found, pk), _link(pk))
    return Ancestor(
        f"q{pk}",
        queen.label,
        "queen",
        _year(found, pk),
        _link(pk),
        mother=_queen(found, mother, left - 1),
        drones=_drones(found, mother, left - 1),
    )


def _drones(found: Behind, mated: int, left: int) -> Ancestor | None:
    """The drones that the queen `mated` met: behind them stand the parents of their mother."""
    mating = found.matings.get(mated)
    if mating is None:
        return None
    parts = [part for part in found.parts[mated] if part.queen_id in found.queens]
    if len(parts) == 1:
        part = parts[0]
        label = _("Drones of %(queen)s") % {"queen": found.queens[part.queen_id].label}
        return _behind_drones(found, f"d{part.queen_id}", label, _amount(part), part.queen_id, left)
    if parts:
        return _mixture(found, mated, parts, left)
    if mating.kind == MatingKind.STATION:
        return _station(found, mated, left)
    note = _drones_text(mating.drones)
    return Ancestor(f"m{mating.pk}", mating.place or _("Open mating"), "drones", note) if mating.place or note else None


def _behind_drones(found: Behind, key: str, label: str, note: str, mother: int, left: int) -> Ancestor:
    behind_mother = _queen(found, mother, left)
    return Ancestor(key, label, "drones", note, _link(mother), mother=behind_mother.mother, drones=behind_mother.drones)


def _mixture(found: Behind, mated: int, parts: list[Part], left: int) -> Ancestor:
    label = ", ".join(found.queens[part.queen_id].label for part in parts[:2])
    if len(parts) > 2:
        label += f" +{len(parts) - 2}"
    note = ", ".join(f"{number_format(round(part.share * 100))} %" for part in parts[:4])
    key = "x" + "-".join(str(part.queen_id) for part in sorted(parts, key=lambda part: part.queen_id))
    mothers = {found.queens[part.queen_id].mother_id for part in parts}
    common = next(iter(mothers)) if len(mothers) == 1 else None
    if common is not None and common in found.queens and left > 0:
        return Ancestor(
            key, label, "drones", note, mother=_queen(found, common, left - 1), drones=_drones(found, common, left - 1)
        )
    if left == 0 or mothers == {None}:
        return Ancestor(key, label, "drones", note)
    known = ngettext("%(number)s mother", "%(number)s mothers", len(mothers - {None}))
    several = Ancestor(f"{key}-mothers", known % {"number": len(mothers - {None})}, "queen", _("see each queen's own"))
    return Ancestor(key, label, "drones", note, mother=several)


def _station(found: Behind, mated: int, left: int) -> Ancestor:
    mating = found.matings[mated]
    place = mating.place or _("Mating station")
    note = _drones_text(mating.drones)
    mother = mating.station_mother_id
    if mother is None or mother not in found.queens:
        return Ancestor(f"s{mating.pk}", place, "drones", note)
    label = _("%(place)s: daughters of %(queen)s") % {"place": place, "queen": found.queens[mother].label}
    if left == 0:
        return Ancestor(f"s{mother}-{place}", label, "drones", note, _link(mother))
    return Ancestor(
        f"s{mother}-{place}",
        label,
        "drones",
        note,
        _link(mother),
        mother=_queen(found, mother, left - 1),
        drones=_drones(found, mother, left - 1),
    )


def _amount(part: Part) -> str:
    texts = [f"{number_format(part.volume_tenths / 10, decimal_pos=1)} µl"] if part.volume_tenths else []
    if part.drones:
        texts.append(_drones_text(part.drones))
    return ", ".join(texts)


def _drones_text(drones: int | None) -> str:
    return ngettext("%(number)s drone", "%(number)s drones", drones) % {"number": drones} if drones else ""


def _year(found: Behind, pk: int) -> str:
    queen = found.queens[pk]
    return str(queen.birth_year or "")


def _link(pk: int) -> str:
    return reverse("breeding:queen", args=[pk])
