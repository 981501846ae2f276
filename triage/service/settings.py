"""Settings of the service: one table of name, default and help, read from ``service.toml``.

The file lies in the workspace. Whatever it leaves out has the default below;
an unknown key is an error that names the nearest known one.
"""

from __future__ import annotations

import difflib
import ipaddress
import tomllib
from datetime import time
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from collectors.errors import UsageError

FILE_NAME = "service.toml"


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class ServerSettings(_Table):
    """``[service]``."""

    host: str = Field("127.0.0.1", description="Address to listen on; any but loopback demands a login and TLS.")
    port: int = Field(8451, ge=0, le=65535, description="Port to listen on; 0 takes a free one.")
    public_url: str = Field("", description="Address people use, for links in messages.")
    tls_cert: str = Field("", description="PEM certificate; with tls_key the service speaks TLS itself.")
    tls_key: str = Field("", description="PEM private key.")
    behind_proxy: bool = Field(False, description="A proxy on this host ends TLS and sets X-Forwarded-For and -Proto.")
    hosts: tuple[str, ...] = Field((), description="Host names the pages answer to, besides loopback.")
    session_hours: float = Field(12, gt=0, le=720, description="A login ends this long after it began.")
    idle_minutes: float = Field(120, gt=0, description="A login ends after so long without a request.")
    upload_mb: float = Field(64, gt=0, le=4096, description="Largest upload, in megabytes.")
    unpacked_mb: float = Field(1024, gt=0, description="Largest content of an uploaded archive, in megabytes.")


class NightSettings(_Table):
    """``[night]``."""

    after_dusk_min: float = Field(45, ge=0, le=600, description="Wait after local dusk, so that late readings arrive.")
    catch_up_nights: int = Field(7, ge=1, le=60, description="Missed nights worked off, oldest first; older ones are skipped.")
    sweep_s: float = Field(60, ge=1, le=3600, description="How often due nights are looked for.")
    drop_folder: str = Field("drop", description="Folder watched for exports, relative to the workspace.")
    drop_s: float = Field(15, ge=1, le=3600, description="How often the drop folder is looked at.")
    workers: int = Field(1, ge=1, le=64, description="Processes that run checks.")
    reports: Literal["changed", "all", "never"] = Field("changed", description="Which sites get an HTML report after the night.")


class NotifySettings(_Table):
    """``[notify]``."""

    urls: tuple[str, ...] = Field((), description="Where messages go: apprise URLs (mail, webhook, chat).")
    digest: bool = Field(True, description="One message a night with what changed.")
    instant: bool = Field(True, description="A message at once for what cannot wait.")
    digest_at: time = Field(time(6, 30), description="When the night's digest leaves.")
    quiet_from: time = Field(time(21, 0), description="Start of the quiet hours; nothing is sent in them.")
    quiet_to: time = Field(time(6, 30), description="End of the quiet hours.")
    timezone: str = Field("UTC", description="Zone of these hours.")

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except Exception as exc:
            raise ValueError(f"'{value}' is not an IANA time zone such as 'Europe/Madrid'") from exc
        return value

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.timezone)


class Settings(_Table):
    """The whole file."""

    service: ServerSettings = ServerSettings.model_construct()
    night: NightSettings = NightSettings.model_construct()
    notify: NotifySettings = NotifySettings.model_construct()


def load_settings(workspace: Path) -> Settings:
    """Read ``service.toml`` of a workspace; absent means all defaults.

    Raises
    ------
    UsageError : not TOML, an unknown key, or a value out of its bounds.
    """
    path = workspace / FILE_NAME
    if not path.exists():
        return Settings()
    try:
        return Settings.model_validate(tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as exc:
        raise UsageError(f"{path}: not valid TOML: {exc}", "Correct that line and try again.") from exc
    except ValidationError as exc:
        raise UsageError(
            "\n".join(f"{path}: {_explain(e['type'], e['loc'], e['msg'])}" for e in exc.errors()),
            "`callout serve --settings` lists every key with its default.",
        ) from exc


def settings_table() -> list[tuple[str, str, str, str]]:
    """(table, key, default, help) of every setting, for help and documents."""
    rows = []
    for table, model in _tables().items():
        for key, field in model.model_fields.items():
            default = field.get_default()
            shown = default.strftime("%H:%M") if isinstance(default, time) else str(default)
            rows.append((table, key, "(none)" if shown in ("", "()") else shown, field.description or ""))
    return rows


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach the address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _tables() -> dict[str, type[_Table]]:
    return {"service": ServerSettings, "night": NightSettings, "notify": NotifySettings}


def _explain(kind: str, loc: tuple[str | int, ...], message: str) -> str:
    key = ".".join(str(part) for part in loc)
    if kind != "extra_forbidden":
        return f"key '{key}': {message.removeprefix('Value error, ')}"
    known = list(_tables()) if len(loc) == 1 else list(_tables()[str(loc[0])].model_fields)
    near = difflib.get_close_matches(str(loc[-1]), known, n=1)
    return f"key '{key}' is not a setting" + (f"; did you mean '{near[0]}'?" if near else "")
