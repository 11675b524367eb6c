"""What a web process pays for before it answers: the solvers load when somebody computes, in the worker."""

import json
import subprocess
import sys

HEAVY = ("scipy", "numba", "cvxopt", "clarabel", "highspy")
LOADED = """
import importlib, json, sys
import django
django.setup()
from django.conf import settings
from django.urls import get_resolver
importlib.import_module(settings.ROOT_URLCONF)
assert get_resolver().url_patterns
print(json.dumps(sorted(name for name in sys.modules if "." not in name)))
"""


def test_the_url_configuration_loads_no_solver():
    done = subprocess.run([sys.executable, "-c", LOADED], capture_output=True, text=True, check=True, timeout=120)
    loaded = json.loads(done.stdout)
    assert "breeding" in loaded
    assert not set(HEAVY) & set(loaded)


def test_kernel_modules_that_pages_read_load_no_solver():
    names = ("types", "records", "pedigree", "entities", "parameters", "feasibility", "covariances")
    code = "import sys\n" + "".join(f"import breeding.genetics.{name}\n" for name in names)
    code += "print(*sorted(name for name in sys.modules if '.' not in name))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120)
    assert not set(HEAVY) & set(done.stdout.split())
