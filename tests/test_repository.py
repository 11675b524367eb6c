"""Promises about the files of the project as a whole."""

import ast
import datetime as dt
import os
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.apps import apps
from django.contrib import admin
from django.db.models import Model
from factory.django import DjangoModelFactory
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from tests import factories

ROOT = Path(__file__).resolve().parent.parent
APPS = ("accounts", "breeding", "scheduling")
# Lock -> the wishes of pyproject it is made from.
LOCKS = {"run": ["run"], "fast": ["run", "fast"], "test": ["fast", "test"], "lint": ["lint"]}

# Rows that only one service writes, with everything around them: tests call that service instead of a factory.
WRITTEN_BY_A_SERVICE = {
    "ApiAnswer": "answering a program",
    "ApiToken": "its owner's page",
    "AuditEntry": "accounts.services.audit",
    "BenchEntry": "a device at the bench",
    "BenchPlace": "closing or publishing a plan",
    "CalendarFeed": "its owner's page",
    "Co2Treatment": "the bench",
    "CrossShare": "the cross planner",
    "Delivery": "the minute sweep",
    "Dose": "the bench",
    "DroneCall": "publishing a plan",
    "DroneTally": "the bench",
    "EvaluationHabit": "the evaluation",
    "EvaluationRun": "the evaluation",
    "EvaluationState": "the evaluation",
    "FeedEntry": "fetching a feed",
    "Gateway": "the coordinator's page",
    "Heartbeat": "the minute sweep",
    "GuestLink": "the page of a queen's owner",
    "HiveEntry": "a device at the hives",
    "Invitation": "the coordinator's page",
    "Job": "accounts.services.jobs",
    "KeptMail": "accounts.mail",
    "LotMark": "the database itself",
    "LotMovement": "the bench",
    "Offer": "the standby list",
    "MatingShare": "recording a mating",
    "Merit": "the evaluation",
    "NotificationWish": "the person's own page",
    "OpenSession": "signing in",
    "Placement": "the planner",
    "Plan": "the planner",
    "PlanPool": "the planner",
    "PlanPoolPart": "the planner",
    "PlannedCross": "the cross planner",
    "PushDevice": "a browser",
    "QueenMerge": "making two rows one queen",
    "QueensApart": "telling two queens apart",
    "QueenCheck": "recording eggs and outcome",
    "ReminderLead": "a person's times",
    "Reminder": "scheduling.services.reminders",
    "SavedView": "its owner's page",
    "SeasonSetting": "the season's settings",
    "SemenBatch": "the bench",
    "SemenBatchShare": "the bench",
    "LotPart": "the bench",
    "SemenLot": "the bench",
    "Slowdown": "signing in",
    "TableImport": "the person who uploads a table",
    "Webhook": "the coordinator's page",
    "WebhookDelivery": "accounts.services.webhook_events",
    "TraitValue": "the evaluation",
    "TipChange": "the bench",
    "Unserved": "the planner",
    "VarianceAdoption": "adopting variances",
    "VarianceEstimate": "the estimate",
}


IGNORED = [line.strip("/") for line in (ROOT / ".gitignore").read_text(encoding="utf-8").split() if "*" not in line]


def tracked(suffix: str = "") -> list[Path]:
    """Files that belong to the project, without asking git: the tests also run where there is none."""
    found: list[Path] = []
    for folder, subfolders, files in os.walk(ROOT):
        here = Path(folder).relative_to(ROOT)
        subfolders[:] = [name for name in subfolders if not _is_ignored(here / name)]
        found += [ROOT / here / name for name in files if name.endswith(suffix) and not _is_ignored(here / name)]
    return sorted(found)


def _is_ignored(path: Path) -> bool:
    return path.name == ".git" or path.suffix == ".pyc" or str(path) in IGNORED or path.name in IGNORED


def text_files() -> Iterator[tuple[str, str]]:
    for path in tracked():
        if "vendor" in path.parts or path.suffix in {".png", ".woff2", ".ico"}:
            continue
        try:
            yield str(path.relative_to(ROOT)), path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue


def calls(tree: ast.AST) -> Iterator[tuple[str, ast.Call]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", ""), node


def own_models() -> list[type[Model]]:
    return [model for app in APPS for model in apps.get_app_config(app).get_models()]


def machine_paths(text: str) -> list[str]:
    """Absolute paths that exist on one machine only, and folders outside the checkout."""
    pattern = (
        r"(?<![\w.$}:/])/(?:" + "|".join(["work", "root", "farm", "home", "Users", "tmp/" + "helper"]) + r")/[\w.-]+"
    )
    return re.findall(pattern, text) + re.findall(r"\.\./" + "shared", text)


def test_no_file_names_a_path_of_one_machine() -> None:
    found = {name: paths for name, text in text_files() if (paths := machine_paths(text))}
    assert found == {}


def test_such_a_path_would_be_found() -> None:
    assert machine_paths('open("/' + 'work/main/x")') == ["/" + "work/main"]
    assert machine_paths("cd .." + "/shared") == [".." + "/shared"]
    assert machine_paths("http://host/" + "work/1 and app/" + "root/x") == []


QUEUED = {"apply_async", "retry", "send_task", "signature", "subtask", "s", "si", "set"}


def broker_times(source: str) -> list[int]:
    """Lines where a due time is handed to the broker, which forgets or doubles it."""
    return [
        call.lineno
        for name, call in calls(ast.parse(source))
        if name in QUEUED and any(keyword.arg in {"eta", "countdown"} for keyword in call.keywords)
    ]


def crontabs(source: str) -> list[int]:
    return [
        node.lineno
        for node in ast.walk(ast.parse(source))
        if (isinstance(node, ast.ImportFrom) and any(alias.name == "crontab" for alias in node.names))
        or (isinstance(node, ast.Attribute) and node.attr == "crontab")
    ]


@pytest.mark.parametrize("finder", [broker_times, crontabs])
def test_no_due_time_goes_to_the_broker_and_no_crontab_sets_one(finder: object) -> None:
    assert callable(finder)
    found = {
        str(path.relative_to(ROOT)): lines
        for path in tracked(".py")
        if (lines := finder(path.read_text(encoding="utf-8")))
    }
    assert found == {}


def test_a_due_time_for_the_broker_would_be_found() -> None:
    assert broker_times("task.apply_async((1,), eta=when)\nself.retry(countdown=5)\nmodel(eta=1)") == [1, 2]
    assert crontabs("from celery.schedules import crontab\nimport celery\ncelery.schedules.crontab()") == [1, 3]


@pytest.mark.parametrize("model", own_models(), ids=lambda model: model.__name__)
def test_every_model_has_an_admin_page(model: type[Model]) -> None:
    assert model in admin.site._registry
    page = admin.site._registry[model]
    assert page.list_display != ("__str__",)
    assert page.search_fields


def test_no_default_is_a_fixed_moment() -> None:
    """Django's own checks take one for a slip while the clock stands near it, and the doctor would say so."""
    fixed = [
        str(field)
        for model in own_models()
        for field in model._meta.get_fields()
        if isinstance(getattr(field, "default", None), dt.date | dt.time)
    ]
    assert fixed == []


def test_every_model_has_a_factory_or_a_service_that_alone_writes_it() -> None:
    made = {
        factory._meta.model.__name__
        for factory in DjangoModelFactory.__subclasses__()
        if factory.__module__ == factories.__name__
    }
    names = {model.__name__ for model in own_models()}
    assert names - made - set(WRITTEN_BY_A_SERVICE) == set()
    assert set(WRITTEN_BY_A_SERVICE) - names == set(), "no such model any more"


def pyproject() -> dict[str, list[str]]:
    data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    return {
        "run": data["project"]["dependencies"],
        **data["project"]["optional-dependencies"],
        **data["dependency-groups"],
    }


def test_every_dependency_says_what_it_is_for() -> None:
    lines = (ROOT / "pyproject.toml").read_text(encoding="utf-8").splitlines()
    for requirement in [text for group in pyproject().values() for text in group]:
        [line] = [line for line in lines if line.strip().startswith(f'"{requirement}"')]
        assert re.search(r"#\s+\w.{4,}", line), f"{requirement} has no comment"


def pins(lock: str) -> dict[str, list[tuple[Requirement, list[str]]]]:
    """Package name -> its pins in a lock, each with the lines that follow it."""
    found: dict[str, list[tuple[Requirement, list[str]]]] = {}
    rest: list[str] = []
    for line in (ROOT / "requirements" / f"{lock}.txt").read_text(encoding="utf-8").splitlines():
        if line and not line[0].isspace():
            requirement = Requirement(line.rstrip("\\ "))
            rest = []
            found.setdefault(canonicalize_name(requirement.name), []).append((requirement, rest))
        else:
            rest.append(line.strip())
    return found


def pinned_version(requirement: Requirement) -> Version:
    [specifier] = requirement.specifier
    assert specifier.operator == "=="
    return Version(specifier.version)


@pytest.mark.parametrize("lock", LOCKS)
def test_the_lock_fits_what_pyproject_asks_for(lock: str) -> None:
    asked = [text for group in LOCKS[lock] for text in pyproject()[group]]
    wanted = {canonicalize_name(Requirement(text).name): Requirement(text) for text in asked}
    locked = pins(lock)
    for name, requirement in wanted.items():
        assert name in locked, f"{name} is not in the lock: run make lock"
        for pin, _ in locked[name]:
            assert pinned_version(pin) in requirement.specifier, f"{pin} does not fit {requirement}: run make lock"
    asked_by_us = {
        name for name, found in locked.items() for _, rest in found if "broodtide (pyproject" in " ".join(rest)
    }
    assert asked_by_us == set(wanted), "the lock was made from other wishes: run make lock"


@pytest.mark.parametrize("lock", LOCKS)
def test_everything_in_the_lock_has_a_hash(lock: str) -> None:
    for found in pins(lock).values():
        for pin, rest in found:
            assert any(line.startswith("--hash=sha256:") for line in rest), f"{pin} has no hash"


def test_the_locks_agree_with_each_other() -> None:
    seen: dict[tuple[str, str], Version] = {}
    for lock in LOCKS:
        for name, found in pins(lock).items():
            for pin, _ in found:
                version = pinned_version(pin)
                if len(found) == 1:
                    assert seen.setdefault((name, ""), version) == version, f"{name} differs in {lock}.txt"


TEMPLATES = [path for path in tracked(".html") if "vendor" not in path.parts]
INLINE = {
    "script": r"<script(?![^>]*\bsrc=)[^>]*>",
    "style element": r"<style\b",
    "style attribute": r"\sstyle\s*=",
    "handler": r"\son[a-z]+\s*=\s*[\"']",
    "foreign host": r"(?:src|href)\s*=\s*[\"'](?:https?:)?//",
}


def inline_parts(text: str) -> list[str]:
    return [what for what, pattern in INLINE.items() if re.search(pattern, text, flags=re.IGNORECASE)]


def test_no_template_carries_script_style_or_handler() -> None:
    found = {
        str(path.relative_to(ROOT)): parts
        for path in TEMPLATES
        if (parts := inline_parts(path.read_text(encoding="utf-8")))
    }
    assert found == {}


def test_inline_parts_would_be_found() -> None:
    bad = '<script>x</script><style></style><p style="a" onclick="b"><script src="//host/x.js"></script>'
    assert inline_parts(bad) == list(INLINE)
    assert inline_parts('<script type="module" src="{% static "x.js" %}"></script><p class="on">') == []


def settings_variables() -> set[str]:
    tree = ast.parse((ROOT / "config/settings.py").read_text(encoding="utf-8"))
    return {
        str(call.args[0].value)
        for name, call in calls(tree)
        if name.startswith("env_") and isinstance(call.args[0], ast.Constant)
    }


def test_every_setting_is_explained_and_stands_in_the_sample() -> None:
    wanted = settings_variables()
    assert len(wanted) > 10
    page = (ROOT / "docs/operations.md").read_text(encoding="utf-8")
    explained = set(re.findall(r"^\| `(BROODTIDE_\w+)` \|", page, flags=re.MULTILINE))
    assert explained == wanted
    sample = (ROOT / ".env.sample").read_text(encoding="utf-8")
    assert wanted <= set(re.findall(r"^#? ?(BROODTIDE_\w+)=", sample, flags=re.MULTILINE))


def test_ci_and_compose_use_the_same_database_major() -> None:
    [ci] = re.findall(r"^POSTGRES_MAJOR=(\d+)$", (ROOT / ".ci/run").read_text(encoding="utf-8"), flags=re.MULTILINE)
    [compose] = re.findall(r"image: postgres:(\d+)", (ROOT / "docker-compose.yml").read_text(encoding="utf-8"))
    assert ci == compose


def test_every_command_that_ci_runs_is_in_the_developers_page() -> None:
    script = (ROOT / ".ci/run").read_text(encoding="utf-8")
    titles = re.findall(r"^step \"([^\"]+)\"", script, flags=re.MULTILINE)
    assert len(titles) > 8
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert [title for title in titles if title not in page] == []
