"""Tags and filters of every template."""

from django import template

register = template.Library()
