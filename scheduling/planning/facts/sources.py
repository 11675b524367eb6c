"""Where the figures come from: title, year, DOI or journal. Titles stay as they were printed."""


def _(text: str) -> str:
    """Mark a text for the translators; whoever shows it translates it."""
    return text


INSEMINATION_METHODS = (
    "Standard methods for instrumental insemination, J. Apic. Res. 52(4) 2013, doi:10.3896/IBRA.1.52.4.09"
)
REARING_METHODS = (
    "Standard methods for rearing and selection of queens, J. Apic. Res. 52(1) 2013, doi:10.3896/IBRA.1.52.1.07"
)
SEMEN_PRODUCTION = (
    "Effects of age, season and genetics on semen and sperm production, Apidologie 42 2011, doi:10.1051/apido/2010026"
)
CELL_TEMPERATURE = (
    "Quality of queens from cells incubated at different temperatures, Acta Sci. Pol. Zootechnica 14(4):25-32 2015"
)
CO2_SPACING = "Effect of time between CO2 treatments, J. Apic. Sci. 2022, doi:10.2478/jas-2022-0011"
CO2_LAYING = "Effect of CO2 on initial oviposition, J. Econ. Entomol. 1947"
SEMEN_VOLUME = "Relation of semen volume to success, J. Econ. Entomol. 1964"
SMALL_DOSES = "Small doses and attendants, Med. Weter. 72(8):488-490 2016"
DIVIDED_DOSES = "Literature passage on small and divided doses, as cited in later articles"
DRONE_BIOLOGY = "Drone development and biology, book chapter 2023 (abstract)"
SEMEN_AGE = "Drone age, semen volume and sperm viability, J. Apic. Sci. c. 2013 (abstract)"
POST_INSEMINATION = "Post-insemination keeping of queens, Apidologie 2018, doi:10.1007/s13592-018-0606-y"
WORKER_ACCESS = "Effect of worker access to the queen, J. Apic. Res. 18(2) 1979, doi:10.1080/00218839.1979.11099957"
CLOSED_POPULATION_2 = "Closed population breeding 2, J. Apic. Res. 21(1):38-44 1982, doi:10.1080/00218839.1982.11100514"
SMALL_POPULATIONS = (
    "Breeding scheme alternatives for small populations, Insects 11(7):404 2020, doi:10.3390/insects11070404"
)
GRAFTING_TIMETABLE = "Practitioner grafting timetable and cell-handling notes (club pages)"
CO2_PRACTICE = "Practitioner discussion on CO2"
DRONE_PRACTICE = "Practitioner notes on semen batches, tubes and drone maturity"
NO_SOURCE = _("No source retrieved")
PROJECT_CHOICE = _("This project's choice from the evidence named")
