"""The compose file names only what exists, and its command lines start: checked without a container engine."""

import os
import shlex
import shutil
import subprocess
from pathlib import Path
from typing import Any

import click
import pytest
import yaml
from celery.bin.celery import celery as celery_program

from config.celery import app as celery_app

ROOT = Path(__file__).resolve().parent.parent
COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text(encoding="utf-8"))
SERVICES: dict[str, dict[str, Any]] = COMPOSE["services"]
OURS = {name: service for name, service in SERVICES.items() if service["image"] == "broodtide-app"}
ONE_SHOT = {"migrate"}

each_service = pytest.mark.parametrize("name", SERVICES)


def command_of(name: str) -> list[str]:
    return shlex.split(SERVICES[name]["command"])


def options_of(arguments: list[str]) -> dict[str, Any]:
    """As Celery's own parser reads them; it refuses unknown options and values."""
    context = celery_program.make_context("celery", list(arguments))
    name, command, rest = celery_program.resolve_command(context, [*context._protected_args, *context.args])
    assert command is not None
    context.obj = type("Options", (), {"app": celery_app, "quiet": True, "no_color": True})()
    parser = click.Context(command, info_name=name, parent=context, allow_extra_args=False)
    values, left, _ = command.make_parser(parser).parse_args(args=list(rest))
    assert left == []
    return dict(values)


def test_all_parts_of_the_served_installation_are_there() -> None:
    assert set(SERVICES) == {
        *{"web", "worker", "planner", "evaluator", "mail", "beat", "migrate", "backup"},
        *{"database", "broker", "proxy"},
    }


@each_service
def test_a_service_is_watched_or_runs_once(name: str) -> None:
    service = SERVICES[name]
    if name in ONE_SHOT:
        assert service["restart"] == "no"
    else:
        assert service["restart"] == "unless-stopped"
        assert service["healthcheck"]["test"][0] in {"CMD", "CMD-SHELL"}
        assert {"interval", "timeout", "retries"} <= set(service["healthcheck"])


@each_service
def test_a_service_has_no_rights_to_spare(name: str) -> None:
    service = SERVICES[name]
    assert service["user"] not in {"root", "0", "0:0"}
    assert service["cap_drop"] == ["ALL"]
    limits = service["deploy"]["resources"]["limits"]
    assert float(limits["cpus"]) > 0
    assert limits["memory"][-1] in "MG"
    assert "privileged" not in service


@each_service
def test_what_a_service_names_exists(name: str) -> None:
    service = SERVICES[name]
    assert set(service.get("secrets", [])) <= set(COMPOSE["secrets"])
    assert set(service["networks"]) <= set(COMPOSE["networks"])
    assert {volume.split(":")[0] for volume in service.get("volumes", [])} <= set(COMPOSE["volumes"])
    for other, wish in service.get("depends_on", {}).items():
        ends = other in ONE_SHOT
        assert wish["condition"] == ("service_completed_successfully" if ends else "service_healthy")
        assert other in SERVICES
    for variable, value in service.get("environment", {}).items():
        if variable.endswith("_FILE"):
            assert value.removeprefix("/run/secrets/") in service["secrets"], f"{variable} names no secret"


def test_nothing_declared_lies_idle() -> None:
    used = {secret for service in SERVICES.values() for secret in service.get("secrets", [])}
    assert used == set(COMPOSE["secrets"])
    volumes = {volume.split(":")[0] for service in SERVICES.values() for volume in service.get("volumes", [])}
    assert volumes == set(COMPOSE["volumes"])


def test_no_secret_stands_in_the_file() -> None:
    for service in SERVICES.values():
        for variable, value in service.get("environment", {}).items():
            if any(word in variable for word in ("PASSWORD", "SECRET", "DATABASE_URL")):
                assert variable.endswith("_FILE"), value


def test_only_the_proxy_can_be_reached_from_outside() -> None:
    assert [name for name, service in SERVICES.items() if service.get("ports")] == ["proxy"]
    assert COMPOSE["networks"]["inside"]["internal"] is True
    assert SERVICES["database"]["networks"] == SERVICES["broker"]["networks"] == ["inside"]


def test_the_broker_keeps_its_queue() -> None:
    command = " ".join(command_of("broker"))
    assert "--maxmemory-policy noeviction" in command
    assert "--appendonly yes" in command


@pytest.mark.parametrize("name", OURS)
def test_a_command_starts_with_a_program_that_is_installed(name: str) -> None:
    program = command_of(name)[0]
    assert shutil.which(program, path=f"{ROOT / '.venv/bin'}{os.pathsep}{os.environ['PATH']}")


CELERY = [name for name in OURS if command_of(name)[0] == "celery"]


@pytest.mark.parametrize("name", CELERY)
def test_celery_understands_its_command_line(name: str) -> None:
    assert options_of(command_of(name)[1:])["loglevel"] == "info"


def test_an_unknown_option_would_be_noticed() -> None:
    with pytest.raises(click.NoSuchOption):
        options_of(["-A", "config.celery", "worker", "--no-such-option"])


def test_every_queue_has_a_worker_and_every_worker_a_queue_that_is_used() -> None:
    workers = [name for name in CELERY if name != "beat"]
    served = {options_of(command_of(name)[1:])["queues"] for name in workers}
    routed = {route["queue"] for route in celery_app.conf.task_routes.values()}
    assert served == routed | {celery_app.conf.task_default_queue}


def test_every_task_of_the_beat_exists() -> None:
    celery_app.loader.import_default_modules()
    assert {entry["task"] for entry in celery_app.conf.beat_schedule.values()} <= set(celery_app.tasks)
    assert set(celery_app.conf.task_routes) <= set(celery_app.tasks)


def test_there_is_one_beat() -> None:
    assert [name for name in CELERY if "beat" in command_of(name)] == ["beat"]


def test_the_operators_page_has_the_same_command_lines() -> None:
    page = (ROOT / "docs/operations.md").read_text(encoding="utf-8")
    for name in OURS:
        words = command_of(name)
        end = words.index("--loglevel") if "--loglevel" in words else len(words)
        start = " ".join(words[: min(end, 8)]).replace("0.0.0.0", "127.0.0.1").replace("/tmp/", "/var/lib/broodtide/")
        assert start in page, f"{name}: {start}"


def test_the_secrets_are_made_once(tmp_path: Path) -> None:
    script = tmp_path / "make_secrets.sh"
    shutil.copy(ROOT / "deploy/make_secrets.sh", script)
    subprocess.run(["sh", script], check=True, capture_output=True)
    made = {path.name: path.read_text() for path in (tmp_path / "secrets").iterdir()}
    assert set(made) == {Path(secret["file"]).name for secret in COMPOSE["secrets"].values()}
    assert len(made["secret_key"]) >= 50
    assert made["database_password"] in made["database_url"]
    again = subprocess.run(["sh", script], check=True, capture_output=True, text=True)
    assert "made" not in again.stdout
    assert {path.name: path.read_text() for path in (tmp_path / "secrets").iterdir()} == made
