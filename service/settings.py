"""The environment as one checked `Settings`."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from decimal import Decimal
from ipaddress import ip_address
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from service.rules.thresholds import Thresholds


class SettingsError(ValueError):
    """A setting that cannot be used, in one plain line."""


@dataclass(frozen=True)
class Site:
    """What a site sets of its own: thresholds inside their permitted ranges, and its region."""

    thresholds: Thresholds = field(default_factory=Thresholds)
    region: str = ""


def read_site_file(name: str) -> Site:
    """A site's TOML file: `region = "US"` and a table `[thresholds]`. SettingsError in one plain line."""
    try:
        held = tomllib.loads(Path(name).read_text(encoding="utf-8"), parse_float=Decimal)
    except OSError as error:
        raise SettingsError(f"{name}: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{name} is not TOML: {error}") from None
    unknown = sorted(set(held) - {"region", "thresholds"})
    if unknown:
        raise SettingsError(f"{name}: there is no «{unknown[0]}» to set; a site sets region and [thresholds].")
    region, values = held.get("region", ""), held.get("thresholds", {})
    if region not in ("", "US"):
        raise SettingsError(f"{name}: region is US or left out, not «{region}».")
    for key, value in values.items():
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise SettingsError(f"{name}: thresholds.{key} must be a number.")
    try:
        return Site(Thresholds().with_values({k: Decimal(v) for k, v in values.items()}), region)
    except ValueError as error:
        raise SettingsError(f"{name}: {error}") from None


@dataclass(frozen=True)
class Settings:
    """What can be set. Every name is an environment variable, read in `from_environment`."""

    database_url: str = "sqlite:///airway-relay.db"
    host: str = "127.0.0.1"
    port: int = 8080
    zone: tzinfo = UTC
    max_body_bytes: int = 5_000_000
    trusted_network: bool = False
    site: Site = field(default_factory=Site)

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> Settings:
        """Settings from environment variables. SettingsError names the variable that is wrong."""
        settings = cls(
            database_url=environment.get("DATABASE_URL", cls.database_url),
            host=environment.get("AIRWAY_RELAY_HOST", cls.host),
            port=_whole(environment, "AIRWAY_RELAY_PORT", cls.port, 1, 65535),
            zone=_zone(environment.get("AIRWAY_RELAY_TIME_ZONE", "UTC")),
            max_body_bytes=_whole(environment, "AIRWAY_RELAY_MAX_BODY_BYTES", cls.max_body_bytes, 1000, 50_000_000),
            trusted_network=environment.get("AIRWAY_RELAY_TRUSTED_NETWORK", "") == "yes",
            site=_site(environment.get("AIRWAY_RELAY_SITE_FILE")),
        )
        settings.check()
        return settings

    def check(self) -> None:
        """SettingsError when the service would listen to strangers: it has no access control of its own yet."""
        if not _is_loopback(self.host) and not self.trusted_network:
            raise SettingsError(
                f"AIRWAY_RELAY_HOST={self.host} listens beyond this machine, and this release has no access control of "
                "its own; put it behind yours and set AIRWAY_RELAY_TRUSTED_NETWORK=yes to say so."
            )
        if not self.database_url.startswith(("sqlite:///", "postgresql://", "postgresql+psycopg://")):
            raise SettingsError("DATABASE_URL must begin with sqlite:/// or postgresql://.")


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def _whole(environment: Mapping[str, str], name: str, default: int, low: int, high: int) -> int:
    text = environment.get(name)
    if text is None:
        return default
    if not text.isdigit() or not low <= int(text) <= high:
        raise SettingsError(f"{name} must be a whole number from {low} to {high}.")
    return int(text)


def _site(name: str | None) -> Site:
    return read_site_file(name) if name else Site()


def _zone(name: str) -> tzinfo:
    if name == "UTC":
        return UTC
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        raise SettingsError(f"AIRWAY_RELAY_TIME_ZONE={name} is not a time zone, such as Europe/Dublin.") from None
