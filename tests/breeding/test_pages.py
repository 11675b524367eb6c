"""The pages as a person uses them: what is entered arrives, what is refused stays typed, lists cost few queries."""

import csv
import datetime as dt
import io
import uuid
from collections.abc import Callable
from decimal import Decimal

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from accounts.models import Job
from accounts.services.jobs import job_run
from breeding.models import Colony, EvaluationRun, Heading, Mating, Queen, Score
from breeding.queries.ranking import latest_run
from breeding.services.evaluation.asking import Choices, evaluation_ask
from breeding.services.matings import Share, mating_record
from breeding.services.scores import score_record
from tests.breeding.conftest import Stock
from tests.factories import NOW, ApiaryFactory, ColonyFactory, HeadingFactory, MatingFactory, QueenFactory, ScoreFactory

pytestmark = pytest.mark.django_db
ClientOf = Callable[[str], Client]


def _page(client: Client, name: str, *args: object, **query: str) -> str:
    response = client.get(reverse(f"breeding:{name}", args=args), query)
    assert response.status_code == 200
    return response.content.decode()


def test_a_member_adds_a_colony_and_registers_its_queen_with_her_mating(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("owner")
    response = client.post(
        reverse("breeding:colony_add"), {"apiary": stock.apiary.pk, "name": "9", "established_on": "2025-05-02"}
    )
    colony = Colony.objects.get(name="9")
    assert response["Location"] == reverse("breeding:colony", args=[colony.pk])
    assert f"?colony={colony.pk}" in _page(client, "colony", colony.pk)
    assert f'<option value="{colony.pk}" selected' in _page(client, "queen_add", colony=str(colony.pk))
    response = client.post(
        reverse("breeding:queen_add"),
        {
            "owner": stock.owner.pk,
            "label": "Rowan 2",
            "mother": "rowan 1",
            "emerged_on": "2025-05-01",
            "mark_number": "23",
            "colony": colony.pk,
            "since": "2025-06-01",
            "kind": "pool",
            "mated_on": "2025-05-10",
            "source_1": "Old Rowan",
            "volume_1": "5,5",
            "drones_1": "6",
            "source_2": "Rowan 1",
            "volume_2": "2.5",
        },
    )
    queen = Queen.objects.get(label="Rowan 2")
    assert response["Location"] == reverse("breeding:queen", args=[queen.pk])
    assert (queen.mother, queen.birth_year, queen.status) == (stock.queen, 2025, "mated")
    assert list(queen.mating.shares.values_list("drone_queen__label", "volume_tenths", "drones")) == [
        ("Old Rowan", 55, 6),
        ("Rowan 1", 25, None),
    ]
    assert list(Heading.objects.filter(queen=queen).values_list("colony", "since")) == [
        (colony.pk, dt.date(2025, 6, 1))
    ]
    card = _page(client, "queen", queen.pk)
    for text in ("Rowan 2 heads Orchard 9", "blue 23", "8 µl", "5.5 µl", "Old Rowan"):
        assert text in card


def test_what_a_refusal_says_stands_beside_the_field_and_what_was_typed_is_kept(
    client_of: ClientOf, stock: Stock
) -> None:
    client = client_of("owner")
    response = client.post(
        reverse("breeding:queen_add"),
        {
            "owner": stock.owner.pk,
            "label": "Rowan 2",
            "mother": "Nobody 4",
            "birth_year": "2025",
            "kind": "pool",
            "source_1": "Rowan 1",
            "volume_1": "5,5",
        },
    )
    page = response.content.decode()
    assert response.status_code == 200
    assert "There is no queen Nobody 4." in page
    for typed in ('value="Rowan 2"', 'value="Nobody 4"', 'value="5,5"'):
        assert typed in page
    refused = client.post(
        reverse("breeding:queen_add"),
        {"owner": stock.owner.pk, "label": "Rowan 2", "birth_year": "2025", "kind": "pool", "source_1": "Rowan 1"},
    )
    assert refused.context["mating"].errors == {
        "source_1": ["A mixture has two sources or more. With one, choose “drones of one drone-producing queen”."]
    }
    assert not Queen.objects.filter(label="Rowan 2").exists()


def test_the_score_sheet_writes_a_visit_once(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("owner")
    page = _page(client, "scores", stock.colony.pk, on="2025-07-01")
    assert "A little smoke is enough to work it without a sting." in page
    sent = {
        "scored_on": "2025-07-01",
        "honey_yield-value": "12,5",
        "honey_yield-entry": str(uuid.uuid4()),
        "gentleness-value": "3.5",
        "gentleness-entry": str(uuid.uuid4()),
        "pin_test-part": "38",
        "pin_test-whole": "50",
        "pin_test-method": "pin",
        "pin_test-hours": "10",
        "pin_test-entry": str(uuid.uuid4()),
    }
    for _ in range(2):
        response = client.post(reverse("breeding:scores", args=[stock.colony.pk]), sent)
        assert response.status_code == 302
    assert sorted(Score.objects.filter(scored_on="2025-07-01").values_list("trait__key", "value")) == [
        ("gentleness", Decimal("3.5")),
        ("honey_yield", Decimal("12.5")),
        ("pin_test", Decimal(76)),
    ]
    card = _page(client, "colony", stock.colony.pk)
    assert card.count("12.5 kg") == 2, "as a score and as the result of the season"
    assert "(38/50)" in card


def test_the_sheet_of_a_round_goes_by_the_page_and_is_narrowed(
    client_of: ClientOf, stock: Stock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("breeding.views.scores.COLONIES_ON_A_SHEET", 1)
    late = ColonyFactory(apiary=stock.colony.apiary, name="ZZ 9")
    HeadingFactory(colony=late, since="2025-06-01", queen__owner=stock.owner)
    client, address = client_of("owner"), reverse("breeding:score_sheet")

    def offered(**asked: str | int) -> list[int]:
        return [pk for pk, _name in client.get(address, asked).context["form"].fields["colony"].choices]

    assert offered() == [stock.colony.pk]
    assert offered(page=2) == offered(q="zz 9") == [late.pk]
    assert offered(colony=late.pk) == [late.pk, stock.colony.pk]
    assert "No colony fits “nobody”." in client.get(address, {"q": "nobody"}).content.decode()
    entered = {"colony": late.pk, "scored_on": "2025-07-01", "gentleness-value": "3"}
    refused = client.post(address, {**entered, "scored_on": "2024-01-01"})
    assert [pk for pk, _name in refused.context["form"].fields["colony"].choices] == [late.pk, stock.colony.pk]
    kept = client.post(f"{address}?q=zz&colony={late.pk}", entered)
    assert kept["Location"] == f"{address}?q=zz"
    assert Score.objects.get(scored_on="2025-07-01").colony == late


@pytest.mark.parametrize(
    ("sent", "field", "text"),
    [
        ({}, "__all__", "Nothing is entered yet."),
        (
            {"pin_test-part": "60", "pin_test-whole": "50", "pin_test-method": "pin"},
            "pin_test-part",
            "Enter 50 or fewer",
        ),
        ({"honey_yield-value": "lots"}, "honey_yield-value", "Enter a number"),
        ({"gentleness-value": "3", "scored_on": "2024-01-01"}, "scored_on", "No queen is recorded"),
    ],
)
def test_the_score_sheet_says_what_is_wrong(
    client_of: ClientOf, stock: Stock, sent: dict[str, str], field: str, text: str
) -> None:
    response = client_of("owner").post(
        reverse("breeding:scores", args=[stock.colony.pk]), {"scored_on": "2025-07-01", **sent}
    )
    assert text in response.context["form"].errors[field][0]
    assert Score.objects.count() == 1


def test_one_trait_a_screen_leads_on_to_the_next(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("owner")
    address = reverse("breeding:scores", args=[stock.colony.pk])
    response = client.post(
        f"{address}?trait=honey_yield", {"scored_on": "2025-07-01", "honey_yield-value": "8", "next": "1"}
    )
    assert response["Location"] == f"{address}?trait=gentleness&on=2025-07-01"
    page = client.get(response["Location"]).content.decode()
    assert "gentleness-value" in page
    assert "calmness-value" not in page


def test_a_score_is_corrected_withdrawn_and_brought_back(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("owner")
    assert "Gentleness of" in _page(client, "score_correct", stock.score.pk)
    client.post(
        reverse("breeding:score_correct", args=[stock.score.pk]), {"gentleness-value": "2.5", "note": "Misread"}
    )
    new = Score.objects.get(replaces=stock.score)
    assert (new.value, new.note) == (Decimal("2.5"), "Misread")
    client.post(reverse("breeding:score_withdraw", args=[new.pk]))
    new.refresh_from_db()
    assert new.withdrawn_at is not None
    client.post(reverse("breeding:score_restore", args=[new.pk]))
    new.refresh_from_db()
    assert new.withdrawn_at is None


def test_requeening_and_ending_from_the_card(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("owner")
    follower = QueenFactory(owner=stock.owner, label="Rowan 3")
    client.post(
        reverse("breeding:requeen", args=[stock.colony.pk]),
        {"queen": "rowan 3", "since": "2026-05-01", "earlier": "gone", "reason": "Culled"},
    )
    stock.queen.refresh_from_db()
    assert (stock.queen.status, stock.queen.gone_reason) == ("gone", "Culled")
    assert Heading.objects.get(until__isnull=True).queen == follower
    client.post(reverse("breeding:colony_end", args=[stock.colony.pk]), {"ended_on": "2026-05-02", "reason": "Sold"})
    assert "Orchard 7 ended on" in _page(client, "colony", stock.colony.pk)


def test_a_mating_is_recorded_and_corrected_on_its_own_page(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("owner")
    address = reverse("breeding:mating", args=[stock.queen.pk])
    assert "Keep the correction" in client.get(address).content.decode()
    client.post(address, {"kind": "dpq", "source_1": "Old Rowan", "total_tenths": "8,5"})
    mating = Mating.objects.get(queen=stock.queen)
    assert (mating.kind, mating.total_tenths, mating.is_complete) == ("dpq", 85, True)
    page = client.get(address).content.decode()
    assert 'value="Old Rowan"' in page
    assert 'value="8.5"' in page


def test_the_lists_cost_the_same_number_of_queries_for_one_row_and_for_three(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("owner")
    pages = {"stock": [], "colony": [stock.colony.pk], "queen": [stock.queen.pk]}

    def counts() -> dict[str, int]:
        found = {}
        for name, args in pages.items():
            with CaptureQueriesContext(connection) as queries:
                assert client.get(reverse(f"breeding:{name}", args=args)).status_code == 200
            found[name] = len(queries)
        return found

    counts()
    with_one = counts()
    for number in range(2):
        queen = QueenFactory(owner=stock.owner, mother=stock.queen)
        MatingFactory(queen=queen)
        HeadingFactory(colony=ColonyFactory(apiary=stock.apiary), queen=queen)
        score_record(
            stock.colony, trait=stock.traits["honey_yield"], value=Decimal(3), scored_on=dt.date(2025, 7, 1 + number),
            by=None, now=NOW,
        )  # fmt: skip
    assert counts() == with_one
    assert max(with_one.values()) <= 18


def _evaluated(stock: Stock, client: Client, testers: int = 3) -> Job:
    for number in range(testers):
        queen = QueenFactory(owner=stock.owner, mother=stock.queen, label=f"T{number}", birth_year=2024)
        mating_record(queen, kind="dpq", shares=[Share(stock.queen, 80)], by=None, now=NOW)
        colony = ColonyFactory(apiary=stock.apiary)
        HeadingFactory(colony=colony, queen=queen)
        ScoreFactory(
            colony=colony, queen=queen, trait=stock.traits["honey_yield"], value=10 + 9 * number,
            scored_on=dt.date(2025, 7, 1),
        )  # fmt: skip
    response = client.post(reverse("breeding:evaluation_start"))
    job = Job.objects.get(kind="evaluation")
    assert response["Location"] == reverse("breeding:evaluation", args=[job.pk])
    return job


def test_a_breeder_starts_an_evaluation_watches_it_and_sees_the_standing(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("breeder")
    job = _evaluated(stock, client)
    waiting = _page(client, "evaluation", job.pk)
    assert f'hx-get="{reverse("breeding:evaluation_steps", args=[job.pk])}"' in waiting
    assert 'hx-trigger="every 2s"' in waiting
    steps = client.get(reverse("breeding:evaluation_steps", args=[job.pk]))
    assert "HX-Refresh" not in steps
    assert job_run(job.pk, now=NOW)
    assert client.get(reverse("breeding:evaluation_steps", args=[job.pk]))["HX-Refresh"] == "true"
    assert "Evaluation 1 is ready" in _page(client, "evaluation", job.pk)
    standing = _page(client, "standing")
    assert "living queens" in standing
    assert "±" in standing
    assert " of 5" in standing
    assert "T2" in standing
    only = _page(client, "standing", q="T1", trait="honey_yield", tested="1")
    assert "T1" in only
    assert ">T2<" not in only
    assert "Merit, in genetic standard deviations" in _page(client, "queen", stock.queen.pk)
    assert "Evaluation 1" in _page(client, "standing", run="1")
    assert client.get(reverse("breeding:standing"), {"run": "7"}).status_code == 404


def test_a_trial_is_shown_when_asked_for_and_says_so(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("breeder")
    job_run(_evaluated(stock, client).pk, now=NOW)
    trial = evaluation_ask(stock.cooperative, by=None, now=NOW, choices=Choices(is_trial=True))
    job_run(trial.pk, now=NOW)
    usual = _page(client, "standing")
    assert "Evaluation 1 of" in usual
    assert "only a trial" not in usual
    assert "(trial)" in usual
    shown = _page(client, "standing", run="2")
    assert "Evaluation 2 is only a trial." in shown
    assert "No other page uses it." in shown


def test_the_standing_says_what_each_number_means_and_whose_variances_were_used(
    client_of: ClientOf, stock: Stock
) -> None:
    client = client_of("colleague")
    job_run(_evaluated(stock, client_of("breeder")).pk, now=NOW)
    page = _page(client, "standing")
    for word in ("What the numbers mean", "the standard error", "reliability, from 0", "nine of ten cases"):
        assert word in page
    assert "Variances are the starting values of each trait" in page


def test_a_stopped_evaluation_says_so(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("breeder")
    job = _evaluated(stock, client)
    assert client.post(reverse("breeding:evaluation_stop", args=[job.pk])).status_code == 302
    job_run(job.pk, now=NOW)
    assert "The evaluation stopped; nothing was changed" in _page(client, "evaluation", job.pk)


def test_an_evaluation_is_made_of_what_was_chosen_and_a_trial_stays_beside_the_others(
    client_of: ClientOf, stock: Stock
) -> None:
    client = client_of("breeder")
    job_run(_evaluated(stock, client).pk, now=NOW)
    page = _page(client, "evaluation_new")
    assert "Honey yield" in page
    address = reverse("breeding:evaluation_new")
    wrong = client.post(
        address,
        {"trait_keys": ["honey_yield"], "first_day": "2025-08-01", "last_day": "2025-07-01", "parameters": "usual"},
    ).content.decode()
    assert "The first day lies after the last day." in wrong
    assert 'value="2025-08-01"' in wrong
    none = client.post(address, {"parameters": "usual"}).content.decode()
    assert "Choose at least one trait." in none
    chosen = {"trait_keys": ["honey_yield"], "first_day": "2025-06-01", "parameters": "starter", "is_trial": "on"}
    assert client.post(address, chosen).status_code == 302
    job = Job.objects.filter(kind="evaluation").latest("pk")
    assert (job.arguments["traits"], job.arguments["records_from"], job.arguments["is_trial"]) == (
        ["honey_yield"],
        "2025-06-01",
        True,
    )
    job_run(job.pk, now=NOW)
    first, trial = EvaluationRun.objects.order_by("number")
    assert (first.is_trial, trial.is_trial) == (False, True)
    assert latest_run(stock.cooperative) == first


def test_the_downloaded_table_holds_the_standing_with_safe_cells(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("breeder")
    Queen.objects.filter(pk=stock.queen.pk).update(label="=2+5")
    job_run(_evaluated(stock, client).pk, now=NOW)
    response = client.get(reverse("breeding:standing_csv"), {"tested": "1"})
    rows = list(csv.DictReader(io.StringIO(response.content.decode("utf-8-sig"))))
    assert {row["queen"] for row in rows} == {"'=2+5", "T0", "T1", "T2"}
    assert all(float(row["merit_error_sd"]) > 0 for row in rows)
    assert [float(row["merit_sd"]) for row in rows] == sorted((float(r["merit_sd"]) for r in rows), reverse=True)


def test_the_standing_is_narrowed_to_the_queens_heading_at_one_apiary(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("breeder")
    job_run(_evaluated(stock, client).pk, now=NOW)
    elsewhere = ApiaryFactory(member=stock.neighbour, name="Far Moor")
    moved = Heading.objects.get(queen__label="T0", until__isnull=True)
    Colony.objects.filter(pk=moved.colony_id).update(apiary=elsewhere)
    page = client.get(reverse("breeding:standing"), {"apiary": elsewhere.pk})
    assert [row["merit"].queen.label for row in page.context["rows"]] == ["T0"]
    assert f'<option value="{elsewhere.pk}" selected>Moorside: Far Moor</option>' in page.content.decode()
    rows = client.get(reverse("breeding:standing_csv"), {"apiary": elsewhere.pk}).content.decode("utf-8-sig")
    assert [row["queen"] for row in csv.DictReader(io.StringIO(rows))] == ["T0"]
    assert "All apiaries" in _page(client, "standing", apiary="not-a-number")


def test_the_pedigree_shows_mother_and_drone_sources_and_who_stands_twice(client_of: ClientOf, stock: Stock) -> None:
    inbred = QueenFactory(owner=stock.owner, label="Close 1", mother=stock.queen)
    Mating.objects.filter(queen=stock.queen).delete()
    assert stock.queen.mother is not None
    mating_record(stock.queen, kind="dpq", shares=[Share(stock.queen.mother, 80)], by=None, now=NOW)
    page = _page(client_of("colleague"), "pedigree", inbred.pk)
    assert "Old Rowan stands 2 times behind Close 1" in page
    assert "Drones of Old Rowan" in page
    assert "<svg" in page
    assert "Show as a table" in page
    assert "The mother of Old Rowan is not known" in _page(client_of("breeder"), "pedigree", stock.queen.mother_id)


def test_the_parents_of_sisters_in_one_mixture_stand_behind_it_once(client_of: ClientOf, stock: Stock) -> None:
    sisters = [QueenFactory(owner=stock.owner, mother=stock.queen.mother, label=f"Sister {n}") for n in range(2)]
    mother = QueenFactory(owner=stock.owner, label="Far 1")
    mating_record(mother, kind="pool", shares=[Share(sister, 40) for sister in sisters], by=None, now=NOW)
    daughter = QueenFactory(owner=stock.owner, label="Mixed 1", mother=mother)
    page = _page(client_of("colleague"), "pedigree", daughter.pk)
    assert "Nobody known stands twice behind Mixed 1 in 2 generations" in page
    assert "Sister 0, Sister 1" in page


def test_the_history_of_a_card_speaks_in_words(client_of: ClientOf, stock: Stock) -> None:
    client = client_of("owner")
    client.post(
        reverse("breeding:queen_edit", args=[stock.queen.pk]),
        {"label": "Rowan 1", "mother": "Old Rowan", "birth_year": "2023", "line": stock.queen.line_id},
    )
    page = _page(client, "queen", stock.queen.pk)
    assert "corrected" in page
    assert "2024 → <b>2023</b>" in page
