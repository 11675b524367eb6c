"""A season with bench days, drones and requests, as the tests of plans and offers meet it."""

import datetime as dt

from accounts.models import Job, Person
from accounts.services.jobs import job_run
from scheduling.models import BenchSession, Booking, DroneSource, Offer, OfferState, Plan, Season, SeasonSetting
from scheduling.services.plan_ask import plan_ask
from scheduling.services.plan_publish import plan_publish
from tests.factories import (
    NOW,
    BenchFactory,
    BenchSessionFactory,
    BookingFactory,
    BookingSourceFactory,
    DroneCohortFactory,
    DroneCountFactory,
    DroneSourceFactory,
    MemberPersonFactory,
    PersonFactory,
    QueenBatchFactory,
    SeasonFactory,
)

DAY = dt.timedelta(days=1)
SETTINGS = {
    "drone_daily_survival": "0.96",
    "operator_queens_per_hour": "15",
    "operator_drones_per_hour": "60",
    "source_setup_minutes": "8",
}


class PlanWorld:
    """Two bench days, one source with plenty of drones, two members who ask for five places each.

    NOW is Tue 9 June, the bench days are Fri 12 and Sun 14 June: time to answer an offer.
    """

    def __init__(self, *, places: int = 14, days: tuple[int, ...] = (12, 14)) -> None:
        self.by: Person = PersonFactory(name="Coordinator")
        self.season: Season = SeasonFactory()
        for key, value in SETTINGS.items():
            SeasonSetting.objects.create(season=self.season, key=key, value=value, changed_at=NOW)
        bench = BenchFactory(cooperative=self.season.cooperative)
        self.sessions: list[BenchSession] = [
            BenchSessionFactory(season=self.season, bench=bench, day=dt.date(2026, 6, day), places=places)
            for day in days
        ]
        self.source: DroneSource = DroneSourceFactory(season=self.season)
        cohort = DroneCohortFactory(source=self.source, comb_in_on=dt.date(2026, 4, 28))
        DroneCountFactory(cohort=cohort, kind="capped", counted_on=dt.date(2026, 5, 12), number=1500)
        self.bookings: list[Booking] = []

    def ask(self, name: str, queens: int = 5, *, minutes: int = 0) -> Booking:
        """Grafted on 22 May: emerge on 3 June, 9 days old on 12 June. Asked so many minutes after the first."""
        batch = QueenBatchFactory(season=self.season, name=name, grafted_on=dt.date(2026, 5, 22))
        MemberPersonFactory(member=batch.member)
        asked_at = NOW + dt.timedelta(minutes=minutes)
        booking: Booking = BookingFactory(batch=batch, queens=queens, asked_at=asked_at)
        BookingSourceFactory(booking=booking, source=self.source, merit=0.5, inbreeding=0.02, viability=0.93)
        self.bookings.append(booking)
        return booking

    def person(self, booking: Booking) -> Person:
        person: Person = booking.member.persons.get()
        return person

    def work_out(self, *, seconds: float = 1) -> Plan:
        plan = plan_ask(self.season, by=self.by, now=NOW, seconds=seconds)
        assert plan.job is not None
        assert job_run(plan.job.pk, now=NOW)
        job = Job.objects.get(pk=plan.job.pk)
        assert (job.state, job.problem) == ("ready", "")
        return Plan.objects.get(pk=plan.pk)

    def publish(self) -> Plan:
        return plan_publish(self.work_out(), by=self.by, now=NOW)

    def run_standby(self, now: dt.datetime = NOW) -> int:
        """Run what lies in line for the standby list; returns how many jobs that were."""
        jobs = list(Job.objects.filter(kind="standby", state="in_line").order_by("pk"))
        for job in jobs:
            assert job_run(job.pk, now=now)
            job.refresh_from_db()
            assert (job.state, job.problem) == ("ready", "")
        return len(jobs)

    def open_offers(self) -> list[Offer]:
        return list(Offer.objects.filter(state=OfferState.OPEN).order_by("pk"))
