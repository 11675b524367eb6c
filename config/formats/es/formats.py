"""Dates and numbers in Spanish: “jue 25 de junio”, 8,5; thousands by a narrow space that does not break."""

DATE_FORMAT = r"D j \d\e F \d\e Y"
SHORT_DATE_FORMAT = "d/m/Y"
MONTH_DAY_FORMAT = r"D j \d\e F"
TIME_FORMAT = "H:i"
DATETIME_FORMAT = r"D j \d\e F \d\e Y, H:i"
FIRST_DAY_OF_WEEK = 1
DECIMAL_SEPARATOR = ","
THOUSAND_SEPARATOR = "\u202f"
NUMBER_GROUPING = 3
