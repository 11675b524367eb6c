"""The whole journey: from a member's first apiary to the sealed brood of a queen inseminated at the bench."""

import datetime as dt
from dataclasses import dataclass, field

import pytest

from accounts.models import Job, KeptMail
from accounts.services.jobs import job_run
from breeding.models import Queen
from scheduling.models import BatchQueen, BenchPlace, BenchSession, Booking, DroneSource, Plan, QueenBatch, Reminder
from scheduling.services.batches import batch_emerged
from scheduling.services.delivery import deliver_due
from tests.browser import at_home, at_the_bench
from tests.browser.conftest import Open, day
from tests.browser.seat import Seat
from tests.browser.world import JourneyWorld, asked, batch_grafted, source_offered

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

GRAFT, EMERGENCE, PLANNING, BENCH = 0, 12, 13, 20  # days of the journey


@dataclass
class Story:
    """What one visit leaves for the next."""

    world: JourneyWorld
    seat: Open
    sources: list[DroneSource] = field(default_factory=list)
    sessions: list[BenchSession] = field(default_factory=list)

    def at(self, email: str) -> Seat:
        return self.seat(f"{email}@example.org")

    def work(self, kind: str) -> None:
        """What a worker would do now."""
        job = Job.objects.filter(kind=kind).latest("pk")
        assert job_run(job.pk, now=self.world.clock.now)
        job.refresh_from_db()
        assert job.state == "ready", job.problem


def test_journey(world: JourneyWorld, seat: Open) -> None:
    story = Story(world, seat)
    stock_is_entered(story)
    breeder_ranks(story)
    days_are_opened(story)
    drones_are_offered(story)
    batch = places_are_booked(story)
    queens_emerge(story, batch)
    plan_is_published(story)
    due_moments_are_told(story, batch)
    inseminated = bench_is_worked(story, batch)
    brood_is_seen(story, inseminated)


def stock_is_entered(story: Story) -> None:
    world, mirel = story.world, story.at("member1")
    mother, father = world.mated_queens(world.members[0])[0], world.mated_queens(world.members[4])[0]
    at_home.add_apiary(mirel, "Mill meadow")
    colony = at_home.add_colony(mirel, apiary="Mill meadow", name="7")
    queen = at_home.register_queen(
        mirel, colony=colony, label="Alder 7", mother=mother, drones_of=father, since=day(-20)
    )
    mirel.goto("breeding:queen", queen.pk)
    mirel.sees("blue 17", "for 2025", mother.label, father.label, "8.5 µl")
    at_home.enter_scores(mirel, colony)
    mirel.sees("Honey yield", "31.5 kg", "88 %")


def breeder_ranks(story: Story) -> None:
    dmitar = story.at("breeder")
    dmitar.goto("breeding:standing")
    dmitar.press("Start an evaluation")
    dmitar.sees_heading("The evaluation is on its way")
    dmitar.rest()
    story.work("evaluation")
    dmitar.goto("breeding:standing", query="?q=Alder+7")
    row = dmitar.page.locator("tbody tr", has_text="Alder 7")
    dmitar.sees_heading("living queens")
    text = row.inner_text()
    assert text.count("±") == 6  # merit and five traits
    assert any(word in text for word in SURENESS), text
    assert " of " in text  # her likely place


SURENESS = ["thin", "fair", "firm"]


def days_are_opened(story: Story) -> None:
    karin, operator = story.at("coordinator"), story.world.offices["operator"]
    at_the_bench.add_bench(karin, "Brook house")
    for offset, places in ((BENCH, 5), (BENCH + 1, 4)):
        story.sessions.append(
            at_the_bench.open_day(karin, bench="Brook house", day=day(offset), places=places, operator=operator)
        )


def drones_are_offered(story: Story) -> None:
    world, jonte = story.world, story.at("member2")
    comb_in = day(BENCH - 43)
    cohort = at_home.offer_drones(
        jonte,
        name="Ling",
        queen=world.mated_queens(world.members[1])[0],
        comb_in=comb_in,
        valid_until=world.season.ends_on,
    )
    at_home.count_capped(jonte, cohort, number=900)
    queen = world.mated_queens(world.members[5])[0]
    other = source_offered(world, 5, name="Moss", drone_queen=queen, comb_in_on=comb_in, capped=900)
    story.sources = [cohort.source, other]


def places_are_booked(story: Story) -> QueenBatch:
    world, mirel = story.world, story.at("member1")
    mother = Queen.objects.get(label="Alder 7")
    batch = at_home.record_graft(mirel, name="Rowan", mother=mother, cells=12, on=day(GRAFT))
    mirel.goto("scheduling:lines")
    mirel.sees("Rowan", "Alder 7")
    booking = at_home.book(mirel, batch=batch, sources=story.sources, session=story.sessions[0].pk, queens=4)
    assert (booking.queens, booking.state) == (4, "asked")
    assert {row.source for row in booking.accepted.all()} == set(story.sources)
    second = batch_grafted(world, 2, name="Sallow", mother=mother, on=day(GRAFT), cells=12)
    asked(world, second, queens=4, sources=story.sources, session=story.sessions[1])
    return batch


def queens_emerge(story: Story, batch: QueenBatch) -> None:
    clock = story.world.clock
    clock.to(1)
    at_home.record_step(story.at("member1"), batch, "started", counted_on=day(1), cells_started=9)
    clock.to(5)
    at_home.record_step(story.at("member1"), batch, "sealed", sealed_on=day(5), cell_temperature_c="34,5")
    clock.to(6)
    mother = Queen.objects.get(label="Alder 7")
    late = batch_grafted(story.world, 3, name="Late", mother=mother, on=day(6), cells=8)
    asked(story.world, late, queens=3, sources=story.sources, session=None)
    cage = Reminder.objects.get(kind="cage_cells", subject_id=batch.pk, state="wanted")
    told_once(story, "member1", cage)
    mirel = story.at("member1")
    at_home.record_step(mirel, batch, "caged", caged_on=clock.now.date())
    clock.to(EMERGENCE)
    mirel = story.at("member1")
    at_home.record_step(mirel, batch, "emerged", emerged_on=day(EMERGENCE), virgins_emerged=6)
    at_home.record_step(mirel, batch, "excluder", excluder_on=day(EMERGENCE))
    assert batch.batch_queens.count() == 6
    sallow = QueenBatch.objects.get(name="Sallow")
    batch_emerged(sallow, emerged_on=day(EMERGENCE), virgins=6, by=story.world.keepers[2], now=clock.now)


def told_once(story: Story, who: str, reminder: Reminder) -> None:
    """Nobody is told before its first stage; at its moment it stands under Today and in the mail, once."""
    clock, email = story.world.clock, f"{who}@example.org"
    assert reminder.tell_at is not None
    clock.now = reminder.tell_at
    clock.forward(minutes=-1)
    deliver_due(now=clock.now)
    mails = KeptMail.objects.filter(to=email, subject=str(reminder.title))
    assert not mails.exists()
    clock.now = reminder.due_at
    deliver_due(now=clock.now)
    clock.forward(minutes=1)
    deliver_due(now=clock.now)
    assert mails.count() == 1
    seat = story.at(who)
    seat.goto("today")
    title = str(reminder.title)
    seat.sees(title)
    seat.goto("scheduling:reminders")
    assert seat.main.locator(".due", has_text=title).count() == 1
    seat.goto("accounts:mail")
    assert seat.main.locator("li", has_text=str(reminder.title)).count() == 1


def plan_is_published(story: Story) -> None:
    story.world.clock.to(PLANNING)
    karin = story.at("coordinator")
    plan = at_the_bench.ask_for_plan(karin)
    karin.rest()
    story.work("plan")
    karin.goto("scheduling:plan", plan.pk)
    karin.sees("It places 8 of the 11 queens", "No place yet", "Late")
    reasons = karin.main.locator(".rest .board-card", has_text="Late").inner_text()
    assert "No bench day falls into the days" in reasons, reasons
    full, other = sorted(story.sessions, key=lambda one: one.places - placed_on(plan, one))  # 8 of 9 places are given
    placement = plan.placements.filter(session=full).order_by("-queens", "pk").first()
    assert placement is not None
    at_the_bench.move(karin, placement, to=other, queens=2)
    karin.sees("is full: 1 place is missing")  # the rule is named beside the field, and the form keeps what was chosen
    assert karin.page.locator("[name=queens]").input_value() == "2"
    assert plan.placements.filter(pk=placement.pk).exists()
    at_the_bench.move(karin, placement, to=other, queens=1)
    karin.sees("moved to")
    at_the_bench.publish(karin, plan)
    karin.sees("2 members were told")


def placed_on(plan: Plan, session: BenchSession) -> int:
    return sum(plan.placements.filter(session=session).values_list("queens", flat=True))


def due_moments_are_told(story: Story, batch: QueenBatch) -> None:
    concerned = set(Reminder.objects.filter(kind="place_given").values_list("member__name", flat=True))
    assert concerned == {"Alder Row", "Sallow Garden"}
    deliver_due(now=story.world.clock.now)
    for who, told in (("member1", True), ("member3", True), ("member4", False), ("member7", False)):
        seat = story.at(who)
        seat.goto("scheduling:reminders")
        news = seat.main.locator(".due", has_text="places on")
        assert news.count() == (1 if told else 0), who
    booking = Booking.objects.get(batch=batch)
    place = first_place_of(batch)
    coming = Reminder.objects.filter(subject_id=booking.pk, kind__in=["first_co2", "bench_time"], state="wanted")
    before = list(coming.filter(due_at__lt=place.session.starts_at).order_by("due_at"))
    assert [reminder.kind for reminder in before] == ["first_co2", "bench_time"]
    assert before[0].due_at == place.session.starts_at - dt.timedelta(hours=24)
    for reminder in before:
        told_once(story, "member1", reminder)


def first_place_of(batch: QueenBatch) -> BenchPlace:
    place = BenchPlace.objects.filter(booking__batch=batch, state="held").order_by("session__day", "position").first()
    assert place is not None
    return place


def bench_is_worked(story: Story, batch: QueenBatch) -> BatchQueen:
    clock = story.world.clock
    session = first_place_of(batch).session
    clock.now = max(clock.now, session.starts_at)
    lene = story.at("operator")
    at_the_bench.start(lene, session)
    places = list(BenchPlace.objects.filter(session=session, state="held").order_by("position"))
    place = places[0]
    assert place.source_id is not None
    assert place.batch_queen is not None
    at_the_bench.open_lot(lene, session, source=place.source_id, tip="T1")
    at_the_bench.tally(lene, by_key=6, by_tap=5, gave_none=2)
    at_the_bench.read_syringe(lene, "10,0")
    at_the_bench.gas(lene, on=True)
    clock.forward(minutes=4)
    lene.goto("scheduling:bench_session", session.pk)  # the server's clock jumped: the tablet measures it anew
    at_the_bench.sent(lene)
    at_the_bench.gas(lene, on=False)
    gas_off_at = clock.now
    at_the_bench.inseminate(lene, volume="8,0")
    lene.sees("Her first CO2 is not on record")
    at_the_bench.inseminate(lene, volume="8,0", reason="Her keeper gave it yesterday at home")
    lene.sees("1 of")
    at_the_bench.sent(lene)
    at_the_bench.set_aside(lene, places[1], reason="Lame on one leg")
    lene.sees("2 of")
    clock.forward(hours=2)
    lene.goto("scheduling:bench_close", session.pk)
    lene.sees("does not add up")
    at_the_bench.end(lene, session, reason_for_rest="Rinsed out of the tip")
    lene.sees_heading("is closed")

    queen = place.batch_queen
    owner = story.at("coordinator")
    owner.goto("breeding:queen", queen.queen_id)
    source = place.source
    assert source is not None
    owner.sees("is mated", source.drone_queen.label, "8 µl")
    mating = queen.queen.mating
    assert (mating.total_tenths, [share.drones for share in mating.shares.all()]) == (80, [9])
    follow_up = Reminder.objects.filter(kind="second_co2", subject_id=queen.batch_id, state="wanted").first()
    assert follow_up is not None
    assert follow_up.due_at - gas_off_at == dt.timedelta(hours=24)
    told_once(story, email_of(queen), follow_up)
    return queen


def email_of(queen: BatchQueen) -> str:
    person = queen.batch.member.member_persons.order_by("pk").first()
    assert person is not None
    return person.person.email.removesuffix("@example.org")


def brood_is_seen(story: Story, queen: BatchQueen) -> None:
    clock = story.world.clock
    bench_on = clock.now.date()
    clock.forward(days=8)
    keeper = story.at(email_of(queen))
    at_home.look_into_nuc(keeper, queen.pk, on=clock.now.date(), finding="eggs")
    clock.forward(days=9)
    keeper = story.at(email_of(queen))
    at_home.look_into_nuc(keeper, queen.pk, on=clock.now.date(), finding="worker_brood", pattern="solid")
    assert [check.finding for check in queen.checks.order_by("checked_on")] == ["eggs", "worker_brood"]
    assert bench_on < clock.now.date()
    keeper.goto("breeding:pedigree", queen.queen_id)
    mating = queen.queen.mating
    father = mating.shares.get().drone_queen
    mother = queen.queen.mother
    assert mother is not None
    keeper.sees(queen.queen.label, mother.label, father.label)
