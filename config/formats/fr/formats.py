"""Dates and numbers in French: “jeu 25 juin”, 8,5; thousands by a narrow space that does not break."""

DATE_FORMAT = "D j F Y"
SHORT_DATE_FORMAT = "d/m/Y"
MONTH_DAY_FORMAT = "D j F"
TIME_FORMAT = "H:i"
DATETIME_FORMAT = "D j F Y, H:i"
FIRST_DAY_OF_WEEK = 1
DECIMAL_SEPARATOR = ","
THOUSAND_SEPARATOR = "\u202f"
NUMBER_GROUPING = 3
