"""The genetics file, version 1: one JSON document in, one out, no database."""

from breeding.genetics.file_format.answering import Answer, answer
from breeding.genetics.file_format.reading import Request, read_request, read_text

__all__ = ["Answer", "Request", "answer", "read_request", "read_text"]
