"""Dates as the trade writes them here: “Thu 25 June”, 24-hour clock."""

DATE_FORMAT = "D j F Y"
SHORT_DATE_FORMAT = "j M Y"
MONTH_DAY_FORMAT = "D j F"
TIME_FORMAT = "H:i"
DATETIME_FORMAT = "D j F Y, H:i"
FIRST_DAY_OF_WEEK = 1
DECIMAL_SEPARATOR = "."
THOUSAND_SEPARATOR = ","
NUMBER_GROUPING = 3
