"""Every part on one page, with made-up data; the route exists only while developing."""

import datetime as dt
from types import SimpleNamespace
from typing import Any

from django import forms
from django.contrib.auth.decorators import login_not_required
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from accounts.states import state_of, states_of
from viz import balance, capillary, gauge, interval, pedigree, season_lines, season_rule

TODAY = dt.date(2026, 6, 18)
BENCH_DAYS = tuple(
    dt.date(2026, month, day) for month, day in ((5, 30), (6, 6), (6, 13), (6, 20), (6, 25), (6, 27), (7, 4))
)


def _day(month: int, day: int) -> dt.date:
    return dt.date(2026, month, day)


class KitForm(forms.Form):
    queens = forms.IntegerField(
        label="How many virgin queens?",
        help_text="Count only those that have emerged and can fly.",
        min_value=1,
    )
    session = forms.ChoiceField(
        label="Which bench day?",
        widget=forms.RadioSelect,
        choices=[("27", "Sat 27 June, 09:30"), ("25", "Thu 25 June, 17:00"), ("4", "Sat 4 July")],
    )
    source = forms.ChoiceField(label="Source", choices=[("a", "Ling"), ("b", "Fell")], required=False)
    graft = forms.DateField(label="Grafted on", widget=forms.DateInput(attrs={"type": "date"}), required=False)
    sources = forms.MultipleChoiceField(
        label="Which drones may it be?", widget=forms.CheckboxSelectMultiple, choices=[("a", "Ling"), ("b", "Fell")]
    )
    note = forms.CharField(label="Note", widget=forms.Textarea, required=False)
    agreed = forms.BooleanField(label="I have read the cautions of the bench")

    def clean_queens(self) -> int:
        raise forms.ValidationError("Rowan 1 has 14 queens. Enter 14 or fewer, or add the rest to another batch.")


class StepperForm(forms.Form):
    places = forms.IntegerField(label="How many of the 9 queens?", min_value=1, max_value=9, initial=9)


def _queens(key: str, name: str, egg: dt.date, places: tuple[dt.date, ...]) -> season_lines.Line:
    after = [egg + dt.timedelta(days=offset) for offset in (0, 4, 9, 16, 23, 28)]
    looks: list[season_lines.Look] = ["plain", "plain", "mid", "late", "now"]
    labels = ["egg", "graft", "cells", "ageing", "ready"]
    steps = tuple(
        season_lines.Step(label, after[index], after[index + 1], look)
        for index, (label, look) in enumerate(zip(labels, looks, strict=True))
    )
    return season_lines.Line(key, name, "queens", steps, places)


def _drones(key: str, name: str, laid: dt.date) -> season_lines.Line:
    after = [laid + dt.timedelta(days=offset) for offset in (0, 10, 24, 38, 54, 61)]
    looks: list[season_lines.Look] = ["plain", "mid", "ripening", "now", "fading"]
    labels = ["laid", "capped", "ripening", "ripe", "fading"]
    steps = tuple(
        season_lines.Step(label, after[index], after[index + 1], look)
        for index, (label, look) in enumerate(zip(labels, looks, strict=True))
    )
    return season_lines.Line(key, name, "drones", steps)


def _lines() -> dict[str, Any]:
    lines = [
        _queens("r1", "Rowan 1", _day(5, 27), (_day(6, 20),)),
        _queens("r2", "Rowan 2", _day(6, 1), (_day(6, 27),)),
        _queens("a1", "Alder 1", _day(5, 24), (_day(6, 20),)),
        _drones("l1", "Ling 1", _day(5, 11)),
        _drones("f1", "Fell 1", _day(5, 14)),
    ]
    chips = [
        ("batch", "coming_ready"),
        ("batch", "coming_ready"),
        ("batch", "last_days"),
        ("cohort", "ripe"),
        ("cohort", "ripening"),
    ]
    subs = [
        "14 queens · mother HV-231",
        "9 queens · mother HV-231",
        "22 queens · mother KB-087",
        "180 drones expected",
        "90 drones expected",
    ]
    sources = [None, None, None, SimpleNamespace(letter="A", name="Ling"), SimpleNamespace(letter="B", name="Fell")]
    window = season_lines.Window(_day(5, 9), _day(7, 10), TODAY, BENCH_DAYS)
    wide = season_lines.draw_lines(lines, window, uid="lines")
    near = season_lines.draw_near(lines, window, uid="near")
    rows = [
        {
            "name": line.name,
            "link": "#",
            "sub": sub,
            "chip_thing": chip[0],
            "chip_key": chip[1],
            "source": source,
            "wide": wide_strip.svg,
            "near": near_strip.svg,
        }
        for line, sub, chip, source, wide_strip, near_strip in zip(
            lines, subs, chips, sources, wide.strips, near.strips, strict=True
        )
    ]
    return {"lines": wide, "near": near, "line_rows": rows}


def _run(first: dt.date, last: dt.date, expected: float, low: float, high: float) -> list[balance.Day]:
    return [
        balance.Day(first + dt.timedelta(days=offset), expected, low, high) for offset in range((last - first).days + 1)
    ]


def _balance() -> balance.Drawn:
    sources = [
        balance.Source(
            "a",
            "A",
            "Ling",
            1,
            tuple(_run(_day(6, 18), _day(6, 20), 180, 150, 205) + _run(_day(6, 21), _day(7, 3), 60, 45, 80)),
            (balance.Need(_day(6, 20), 140, 180), balance.Need(_day(6, 27), 52, 60)),
        ),
        balance.Source(
            "b",
            "B",
            "Fell",
            2,
            tuple(_run(_day(6, 21), _day(6, 23), 130, 110, 160) + _run(_day(6, 24), _day(6, 26), 190, 150, 230)),
            (balance.Need(_day(6, 25), 228, 190),),
        ),
        balance.Source(
            "c",
            "C",
            "Holm",
            3,
            tuple(_run(_day(6, 13), _day(6, 21), 230, 200, 250)),
            (balance.Need(_day(6, 20), 92, 230), balance.Need(_day(6, 21), 118, 138)),
        ),
        balance.Source(
            "d", "D", "Tarn", 4, tuple(_run(_day(6, 28), _day(7, 8), 58, 40, 75)), (balance.Need(_day(7, 4), 46, 58),)
        ),
    ]
    return balance.draw_balance(sources, first=_day(6, 13), last=_day(7, 10), today=TODAY, uid="balance")


def _pedigree() -> Any:
    founder = pedigree.Ancestor("h1", "Heath 1", note="2021")
    mother = pedigree.Ancestor("h7", "Heath 7", note="2023, honey +4.1", mother=founder, link="#")
    drones = pedigree.Ancestor(
        "f3d", "drones of Fell 3", "drones", note="pool of 3", mother=pedigree.Ancestor("f3", "Fell 3", mother=founder)
    )
    return pedigree.draw_pedigree(
        pedigree.Ancestor("r1", "Rowan 1-11", mother=mother, drones=drones), generations=3, uid="pedigree"
    )


def _intervals() -> list[dict[str, Any]]:
    values = [("HV-231", 6.1, 2.0, "firm"), ("KB-087", 3.4, 2.9, "fair"), ("HV-198", -1.2, 3.6, "thin")]
    scale = interval.scale_of([(value, error) for _, value, error, _ in values])
    return [
        {
            "label": label,
            "value": value,
            "error": error,
            "sure": sure,
            "svg": interval.draw_interval(value, error, scale, uid=f"interval-{index}").svg,
        }
        for index, (label, value, error, sure) in enumerate(values)
    ]


def _nav() -> dict[str, Any]:
    pages = [
        ("Today", "calendar-check"),
        ("Season lines", "ruler"),
        ("Book a place", "plus"),
        ("Stock & crosses", "queen"),
        ("Reminders", "bell"),
    ]
    entries = [
        {
            "url": "#",
            "label": label,
            "icon": icon,
            "badge": 2 if label == "Reminders" else 0,
            "current": label == "Season lines",
        }
        for label, icon in pages
    ]
    shorts = ["Today", "Lines", "Book", "Reminders", "More"]
    icons = ["calendar-check", "ruler", "plus", "bell", "menu"]
    bottom = [
        {
            "url": "#",
            "label": short,
            "icon": icon,
            "badge": 2 if short == "Reminders" else 0,
            "current": short == "Lines",
        }
        for short, icon in zip(shorts, icons, strict=True)
    ]
    return {"nav": entries, "nav_bottom": bottom}


@login_not_required
def kit(request: HttpRequest) -> HttpResponse:
    """All parts, charts and the bench."""
    first, last = season_rule.april_to_august(2026)
    rule = season_rule.Season(
        first, last, TODAY, BENCH_DAYS, ripe=((_day(5, 28), _day(6, 16)), (_day(6, 18), _day(7, 6)))
    )
    form = KitForm({"queens": "41", "session": "25", "sources": ["a"], "agreed": "on"})
    context = {
        **_nav(),
        **_lines(),
        "viewer": SimpleNamespace(person="Ines Roth", cooperative="Kit"),
        "roles": [
            {"key": "member", "label": "Member", "current": True},
            {"key": "operator", "label": "Operator", "current": False},
        ],
        "season_rule_svg": season_rule.draw_rule(rule).svg,
        "form": form,
        "stepper": StepperForm(),
        "things": {
            thing: states_of(thing) for thing in ("booking", "batch", "cohort", "plan", "reminder", "bench", "job")
        },
        "late": state_of("reminder", "late"),
        "due": state_of("reminder", "due"),
        "acts": [{"label": "Enter count", "icon": "plus", "link": "#"}, {"label": "Put off", "post": "#"}],
        "acts_due": [{"label": "Done", "icon": "check", "post": "#"}, {"label": "Put off", "post": "#"}],
        "sources": [
            SimpleNamespace(letter=letter, name=name)
            for letter, name in zip("ABCDEFG", ["Ling", "Fell", "Holm", "Tarn", "Moss", "Reed", "Gorse"], strict=True)
        ],
        "gauge": gauge.draw_gauge(gauge.Window(_day(6, 12), _day(6, 19), _day(6, 24), TODAY), uid="gauge"),
        "balance": _balance(),
        "pedigree": _pedigree(),
        "intervals": _intervals(),
        "capillary": capillary.draw_capillary(loaded_tenths=60, dose_tenths=80, uid="capillary"),
        "facts": [("Queens placed", "23 of 24"), ("Ling: ripe drones", 180), ("Ling: needed", 140)],
        "steps": ["Which queens?", "Which drones?", "Which day?"],
        "page": Paginator(range(143), 20).page(2),
        "job": SimpleNamespace(pk=1, state="working", step="Fixing bench days", done_share=0.4, problem=""),
    }
    return render(request, "kit_bench.html" if "bench" in request.GET else "kit.html", context)
