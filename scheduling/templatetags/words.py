"""Sentences of the timing engine and of the figures, in the reader's language."""

from django import template

from scheduling.planning.words import Words
from scheduling.queries.words import words_of

register = template.Library()


@register.filter(name="words")
def _words(words: Words | str) -> str:
    return words if isinstance(words, str) else words_of(words)
