"""The plot of the practice season: what is reared, offered, asked for and done, in days from today (0)."""

from dataclasses import dataclass

SEASON_FROM, SEASON_TO = -78, 76

# Gaps of the trade's knowledge that planning asks for, and one that makes its answers careful.
SETTINGS: tuple[tuple[str, str, str], ...] = (
    ("drone_daily_survival", "0.97", "Our marked drones of last year, counted every week."),
    ("drone_recapture_share", "0.85", "Last year's benches: caught of those that the count expected."),
    ("operator_queens_per_hour", "14", "Mean of last year's bench days."),
    ("operator_drones_per_hour", "110", "Two helpers everting, mean of last year's bench days."),
    ("source_setup_minutes", "8", "Changing tip and source, by the clock."),
    ("min_sources", "2", "The breeders' meeting wants mixtures of two sources or more."),
)


@dataclass(frozen=True)
class SessionPlot:
    """``bench``: 0 or 1. Without places it is a CO2 day. ``end``: closed, running, open, cancelled.

    ``aside``: which queen of the day is set aside. ``opened``: an extra day, opened so late.
    """

    key: str
    day: int
    bench: int
    places: int
    end: str
    aside: int | None = None
    opened: int | None = None


SESSIONS: tuple[SessionPlot, ...] = (
    SessionPlot("a0", -27, 0, 0, "closed"),
    SessionPlot("a", -26, 0, 14, "closed"),
    SessionPlot("a1", -25, 0, 0, "closed"),
    SessionPlot("b0", -13, 0, 0, "closed"),
    SessionPlot("b", -12, 0, 16, "closed", aside=6),
    SessionPlot("b1", -11, 0, 0, "closed"),
    SessionPlot("c0", -6, 0, 0, "closed"),
    SessionPlot("c", -5, 0, 14, "closed"),
    SessionPlot("c1", -4, 0, 0, "closed"),
    SessionPlot("t0", -1, 0, 0, "closed"),
    SessionPlot("t", 0, 0, 13, "running", aside=3),
    SessionPlot("t1", 1, 0, 0, "open"),
    SessionPlot("n0", 0, 1, 0, "open"),
    SessionPlot("n", 1, 1, 10, "open"),
    SessionPlot("x", 4, 1, 8, "cancelled"),
    SessionPlot("d0", 6, 0, 0, "open"),
    SessionPlot("d", 7, 0, 20, "open"),
    SessionPlot("d1", 8, 0, 0, "open"),
    SessionPlot("g0", 7, 1, 0, "open", opened=-7),
    SessionPlot("g", 8, 1, 6, "open", opened=-7),
    SessionPlot("e0", 12, 0, 0, "open"),
    SessionPlot("e", 13, 0, 18, "open"),
    SessionPlot("e1", 14, 0, 0, "open"),
    SessionPlot("f0", 19, 1, 0, "open"),
    SessionPlot("f", 20, 1, 12, "open"),
)


@dataclass(frozen=True)
class BatchPlot:
    """A graft and what came of it. ``graft``: its day; a day to come makes it a planned batch.

    ``cold``: the cells hung too cold, so the virgins came a day later.
    """

    key: str
    graft: int
    cells: int = 15
    started: int = 11
    virgins: int = 8
    cold: bool = False
    closed: tuple[int, str] | None = None


BATCHES: tuple[BatchPlot, ...] = (
    BatchPlot("a1", -46, closed=(-2, "All her queens head colonies now.")),
    BatchPlot("a2", -46, virgins=7),
    BatchPlot("b1", -32),
    BatchPlot("b2", -32, virgins=7),
    BatchPlot("b3", -32, virgins=6),
    BatchPlot("c1", -25),
    BatchPlot("c2", -25, virgins=7),
    BatchPlot("gone", -29, started=4, virgins=2, closed=(-14, "Wax moth in the finisher; nothing left to inseminate.")),
    BatchPlot("past", -34, virgins=4),
    BatchPlot("last", -24, virgins=5),
    BatchPlot("t1", -20),
    BatchPlot("t2", -20, virgins=7),
    BatchPlot("n1", -19),
    BatchPlot("n2", -19, virgins=6),
    BatchPlot("d1", -16, virgins=7),
    BatchPlot("d2", -15, virgins=9),
    BatchPlot("d3", -13),
    BatchPlot("d4", -13, virgins=6),
    BatchPlot("cold", -12, cells=18, started=12, cold=True),
    BatchPlot("e1", -8, started=9),
    BatchPlot("e2", -7, started=10),
    BatchPlot("e3", -7, started=8),
    BatchPlot("f1", -3, started=9),
    BatchPlot("f2", -2, started=10),
    BatchPlot("new", 0, cells=20),
    BatchPlot("next1", 14),
    BatchPlot("next2", 21),
)


@dataclass(frozen=True)
class CohortPlot:
    """``comb``: day the drone comb went in (a day to come: promised). Counts: None where nobody counted."""

    comb: int
    promised: int | None = 1000
    capped: int | None = None
    seen: int | None = None
    ended: int | None = None


@dataclass(frozen=True)
class SourcePlot:
    cohorts: tuple[CohortPlot, ...]
    certificate: int | None = 200
    hold: tuple[int, str] | None = None
    withdrawn: tuple[int, str] | None = None


SOURCES: tuple[SourcePlot, ...] = (
    SourcePlot(
        (
            CohortPlot(-70, capped=1300, seen=620, ended=-16),
            CohortPlot(-43, capped=1250, seen=780),
            CohortPlot(-14, promised=1200),
        )
    ),
    SourcePlot((CohortPlot(-71, capped=1100, seen=540), CohortPlot(-37, capped=1180), CohortPlot(-9))),
    SourcePlot((CohortPlot(-72, capped=1020), CohortPlot(-56, capped=1240, seen=700), CohortPlot(-30, capped=1150))),
    SourcePlot((CohortPlot(-58, capped=980, seen=610), CohortPlot(-33, capped=1050))),
    SourcePlot(
        (
            CohortPlot(-60, capped=1060, seen=640),
            CohortPlot(-45, capped=1400, seen=820),
            CohortPlot(-16, capped=900),
        )
    ),
    SourcePlot(
        (
            CohortPlot(-55, capped=1120, seen=590),
            CohortPlot(-49, capped=980, seen=560),
            CohortPlot(-18),
        )
    ),
    SourcePlot((CohortPlot(-42, capped=240, seen=55),)),
    SourcePlot(
        (CohortPlot(-41, capped=1300, seen=760),),
        hold=(-3, "Suspect brood at the next stand; sample sent in."),
    ),
    SourcePlot((CohortPlot(-44, capped=1000, seen=520),), certificate=-2),
    SourcePlot((CohortPlot(-26, capped=1000), CohortPlot(-6), CohortPlot(-1), CohortPlot(4))),
    SourcePlot((CohortPlot(-50, capped=700),), withdrawn=(-20, "The colony swarmed.")),
)


@dataclass(frozen=True)
class AskPlot:
    """A request: when, for which batch and bench day (empty: any), how many queens, in which way."""

    batch: str
    day: int
    hour: int
    queens: int
    session: str = ""
    mode: str = "each"
    sources: int = 3
    note: str = ""
    withdrawn: tuple[int, str] | None = None


ASKS: tuple[AskPlot, ...] = (
    AskPlot("a1", -38, 9, 7, "a"),
    AskPlot("a2", -37, 20, 6, "a", mode="one", sources=2),
    AskPlot("b1", -24, 8, 6, "b"),
    AskPlot("b2", -23, 19, 6, "b", mode="one"),
    AskPlot("b3", -23, 21, 4, "b", mode="pool", sources=2),
    AskPlot("c1", -16, 8, 7, "c"),
    AskPlot("c2", -15, 8, 6, "c"),
    AskPlot("t1", -12, 7, 7, "t"),
    AskPlot("t2", -11, 21, 6, "t", mode="one", sources=2),
    AskPlot("n1", -11, 9, 5, "n"),
    AskPlot("n2", -10, 12, 4, "n", sources=2),
    AskPlot("d1", -10, 18, 5, sources=4),
    AskPlot("d2", -10, 20, 6, "d"),
    AskPlot("d3", -9, 20, 6, "d"),
    AskPlot("d4", -8, 7, 5, "d", sources=2),
    AskPlot("cold", -8, 9, 6, "d", withdrawn=(-5, "Cells were cold; we ask again when they have emerged.")),
    AskPlot("e1", -4, 19, 7, "e"),
    AskPlot("e2", -3, 8, 6, "e", mode="pool", sources=2),
    AskPlot("cold", -2, 8, 5, sources=4),
    AskPlot("e3", -1, 20, 6, "e"),
    AskPlot("last", -1, 21, 4, "t", note="Rain kept us from the bench last week."),
    AskPlot("f1", -1, 22, 6, "f"),
)

# Plans worked out and published: (day, hour). Queens are moved by hand once, to the extra bench day.
PLANS: tuple[tuple[int, int], ...] = ((-28, 20), (-14, 20), (-8, 20), (-2, 20))
MOVED_AFTER = -7
