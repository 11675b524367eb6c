"""What the database knows of its own tables, for choosing the index that leaves the fewest rows.

PostgreSQL counts by itself. SQLite never does unless it is told to, and then takes any index for a good one: “not
replaced” for one that leaves a single score, when it leaves all of them.
"""

from django.db import connection

MOST_ROWS = 1000  # of each index: enough to tell a good one from a poor one, a few hundredths of a second at any size


def statistics_count() -> None:
    """Count anew what the indexes of SQLite leave. Nothing on PostgreSQL."""
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute(f"PRAGMA analysis_limit = {MOST_ROWS}")
            cursor.execute("ANALYZE")
