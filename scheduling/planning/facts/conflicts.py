"""Where the sources disagree, and what this project does by default.

Each row names both statements by their row of the table of trade facts and the figures that carry the default.
A row without figures is a rule that the code keeps in the place named.
"""

from dataclasses import dataclass

from scheduling.planning.words import Words
from scheduling.planning.words import message as _


@dataclass(frozen=True, slots=True)
class Conflict:
    key: str
    topic: Words
    one: Words
    other: Words
    rows: tuple[str, ...]
    default: Words
    settings: tuple[str, ...] = ()


CONFLICTS: tuple[Conflict, ...] = (
    Conflict(
        "queen_age_window",
        _("Queen age window"),
        _("5 to 14 days"),
        _("5 to 12 days"),
        ("V02", "V03"),
        _("5 to 12 normal, 13 and 14 with a reason"),
        ("virgin_age_first_days", "virgin_age_last_days", "virgin_age_reason_last_days"),
    ),
    Conflict(
        "best_queen_age",
        _("Best queen age"),
        _("second CO2 done by day 6"),
        _("trials at 7 and 9 days"),
        ("C18", "V04"),
        _("planned for 8, 6 to 10 counted as best"),
        ("virgin_age_planned_days", "virgin_age_best_first_days", "virgin_age_best_last_days"),
    ),
    Conflict(
        "first_co2",
        _("First CO2"),
        _("1 to 2 days before"),
        _("24 hours before or after"),
        ("C02", "C03"),
        _("before; after is allowed"),
        ("co2_first_before", "co2_spacing_hours"),
    ),
    Conflict(
        "co2_minutes",
        _("CO2 minutes"),
        _("1 to 4"),
        _("10; no difference from 0.1 to 10"),
        ("C04", "C05", "C06"),
        _("3, and the minutes given are recorded"),
        ("co2_minutes",),
    ),
    Conflict(
        "co2_strength",
        _("CO2 strength"),
        _("75 % better"),
        _("75 to 80 % worst"),
        ("C20", "C21"),
        _("pure gas, and the strength is recorded"),
        ("co2_strength_percent",),
    ),
    Conflict(
        "third_co2",
        _("Third CO2"),
        _("given after 14 days"),
        _("no gain over two"),
        ("C23", "C07"),
        _("only if fewer than two are on record"),
        ("co2_third_after_days", "co2_treatments"),
    ),
    Conflict(
        "time_to_eggs",
        _("Time to eggs"),
        _("3.7 to 5.8 days"),
        _("7.6 to 10.9 days"),
        ("L01", "L02", "L03"),
        _("looked for after 7, 10 and 14 days"),
        ("egg_check_1_days", "egg_check_2_days", "egg_check_3_days"),
    ),
    Conflict(
        "dose",
        _("Dose"),
        _("8 to 12 µl"),
        _("8 to 10; at least 2 × 3; no difference in the field from 2 to 8"),
        ("D01", "D02", "D03", "D17"),
        _("8 in one or 2 × 4; not below 2 × 3"),
        ("dose_standard_ul", "dose_split_ul", "dose_split_min_ul", "dose_min_ul"),
    ),
    Conflict(
        "single_or_split",
        _("Single or split dose"),
        _("16 µl for 5 million sperm"),
        _("8 µl with good care 5.26 million"),
        ("D06", "D11"),
        _("good care first, then a split dose"),
        ("dose_standard_ul", "dose_split_ul", "keep_still_hours"),
    ),
    Conflict(
        "drone_maturity",
        _("Drone maturity"),
        _("12 to 14 days; 9 to 12"),
        _("14 days or more"),
        ("R06", "R08", "R07"),
        _("14 earliest, 16 planned"),
        ("drone_age_first_days", "drone_age_planned_days"),
    ),
    Conflict(
        "drone_upper_age",
        _("Drone upper age"),
        _("counts fall only after 30 days"),
        _("fall within 12 days of the peak; semen of 4 weeks clogs oviducts"),
        ("R10", "R11", "R13"),
        _("preferred to 21, blocked above 28"),
        ("drone_age_preferred_last_days", "drone_age_last_days"),
    ),
    Conflict(
        "drone_lead_time",
        _("Drone lead time"),
        _("40 days"),
        _("48 days; start 60 days before"),
        ("R04", "R05", "R28"),
        _("comb 43 days before, programme 60 days before"),
        ("drone_age_planned_days", "drone_development_days", "comb_lag_days", "drone_programme_days"),
    ),
    Conflict(
        "sperm_per_drone",
        _("Sperm per drone"),
        _("3.63 million"),
        _("6 to 12 million"),
        ("R18", "R19"),
        _("everything is reckoned in µl"),
        ("ul_per_drone",),
    ),
    Conflict(
        "flown_virgins",
        _("Virgins that flew"),
        _("store less"),
        _("no loss"),
        ("V14",),
        _("they do not fly: excluder from emergence"),
        ("excluder_on_age_days", "excluder_alarm_age_days"),
    ),
    Conflict(
        "cell_humidity",
        _("Humidity for cells"),
        _("about 80 %"),
        _("about 50 %"),
        ("Q20",),
        _("recorded, never enforced"),
    ),
    Conflict(
        "semen_life",
        _("Life of stored semen"),
        _("several weeks; 6 weeks"),
        _("about 2 weeks"),
        ("N01", "N02"),
        _("normal to 14 days, blocked after 42"),
        ("semen_normal_days", "semen_limit_days"),
    ),
    Conflict(
        "survival",
        _("Survival after insemination"),
        _("lower than natural"),
        _("equal with care"),
        ("O04", "O05"),
        _("the cooperative's own figures are shown, none is assumed"),
    ),
    Conflict(
        "hygiene_test",
        _("Hygiene test"),
        _("pin, 7 to 15 hours"),
        _("frozen brood, 48 hours; pin at 24 hours"),
        ("P13", "P14", "P15", "P16"),
        _("method and hours stand with each score; two methods never make one result"),
        ("pin_test_cells",),
    ),
    Conflict(
        "behaviour_visits",
        _("Behaviour visits"),
        _("at least 4"),
        _("3 to 6"),
        ("P04", "P05"),
        _("4"),
        ("behaviour_visits",),
    ),
)
