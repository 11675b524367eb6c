"""What is a database's trouble, and not a fault of the program: pages and API answer it with 503."""

from django.db import InterfaceError, InternalError, OperationalError

NO_SUCH = "no such "  # SQLite's word for a table or column that is missing: that is a fault of the program
READ_ONLY = "25006"  # PostgreSQL: in a transaction that may only read


def is_trouble_of_the_database(error: BaseException | None) -> bool:
    """Whether this, or what it came from, says that the database cannot do its work now."""
    while error is not None:
        if isinstance(error, OperationalError | InterfaceError):
            return not str(error).startswith(NO_SUCH)
        if isinstance(error, InternalError):
            return getattr(error.__cause__, "sqlstate", "") == READ_ONLY
        error = error.__cause__ or error.__context__
    return False
