"""The nightly flow kept on a schedule; what a run says is in the log of the process that serves it."""

from __future__ import annotations

import os
from pathlib import Path

# Prefect reads it when it is imported, and hands it to the process of each run; what the user has set stays.
os.environ.setdefault("PREFECT_LOGGING_LEVEL", "INFO")

from pydantic import ValidationError

from halfcycle.pipeline.config import load_fleet
from halfcycle.pipeline.errors import ConfigError
from halfcycle.pipeline.flows.nightly import nightly
from halfcycle.pipeline.flows.temporary_server import prefect_api
from halfcycle.pipeline.notifying import fleet_name


def serve_flow(config: Path, *, cron: str) -> None:
    """Keep the nightly flow scheduled until the process is stopped; each run is a process of its own.

    Parameters
    ----------
    config : the fleet's TOML file.
    cron : schedule in cron's notation, in UTC.

    Raises
    ------
    ConfigError : the schedule is none.
    StoreError : the temporary server does not start.
    """
    from prefect.client.schemas.schedules import CronSchedule
    from prefect.settings import PREFECT_API_URL, temporary_settings

    try:
        CronSchedule(cron=cron)
    except ValidationError as error:
        raise ConfigError(f"--cron {cron!r} must be MINUTE HOUR DAY MONTH WEEKDAY, such as '0 2 * * *'") from error
    fleet = load_fleet(config)
    with prefect_api(fleet.store / ".flows") as url, temporary_settings({PREFECT_API_URL: url}):
        nightly.serve(
            name=f"nightly-{fleet_name(config)}", tags=["halfcycle", fleet_name(config)], cron=cron,
            parameters={"config": str(config.resolve())}, limit=1, pause_on_shutdown=False,
        )  # fmt: skip
