"""The genetics file, version 1: one JSON document in, one out, no database; large studies as CSV tables."""

from breeding.genetics.file_format.answering import FORMAT as RESULT_FORMAT
from breeding.genetics.file_format.answering import Answer, answer
from breeding.genetics.file_format.reading import Request, read_request, read_text
from breeding.genetics.file_format.results import SUMMARY, result_tables, result_text

__all__ = [
    "RESULT_FORMAT", "SUMMARY", "Answer", "Request", "answer", "read_request", "read_text", "result_tables",
    "result_text",
]  # fmt: skip
