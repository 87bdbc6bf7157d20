"""The environment as one checked `Settings`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from ipaddress import ip_address
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from service.access_settings import AccessSettings, access_settings
from service.listening.budgets import LEAST_CONNECTIONS, Budgets
from service.outbound.addresses import Egress
from service.site_file import Site, read_site

SEAL_KEY = "airway-relay-seal-key.json"


class SettingsError(ValueError):
    """A setting that cannot be used, in one plain line."""


def read_site_file(name: str) -> Site:
    """A site's TOML file. SettingsError, in one plain line, when it cannot be used."""
    try:
        return read_site(Path(name))
    except OSError as error:
        raise SettingsError(f"{name}: {error.strerror}") from None
    except ValueError as error:
        raise SettingsError(f"{name}: {'; '.join(str(error).splitlines())}") from None


@dataclass(frozen=True)
class Settings:
    """What can be set. Every name is an environment variable, read in `from_environment`."""

    database_url: str = "sqlite:///airway-relay.db"
    host: str = "127.0.0.1"
    port: int = 8080
    zone: tzinfo = UTC
    max_body_bytes: int = 5_000_000
    partitions: int = 0
    site: Site = field(default_factory=Site)
    egress: Egress = field(default_factory=Egress)
    delivers: bool = True
    access: AccessSettings = field(default_factory=AccessSettings)
    audit_key_file: str = ""
    emergency_clients: frozenset[str] = frozenset()
    emergency_people: frozenset[str] = frozenset({"physician"})
    emergency_hours: int = 4
    check_in_link_days: int = 14
    budgets: Budgets = field(default_factory=Budgets)

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> Settings:
        """Settings from environment variables. SettingsError names the variable that is wrong."""
        settings = cls(
            database_url=environment.get("DATABASE_URL", cls.database_url),
            host=environment.get("AIRWAY_RELAY_HOST", cls.host),
            port=_whole(environment, "AIRWAY_RELAY_PORT", cls.port, 1, 65535),
            zone=_zone(environment.get("AIRWAY_RELAY_TIME_ZONE", "UTC")),
            max_body_bytes=_whole(environment, "AIRWAY_RELAY_MAX_BODY_BYTES", cls.max_body_bytes, 1000, 50_000_000),
            partitions=_whole(environment, "AIRWAY_RELAY_PARTITIONS", cls.partitions, 0, 256),
            site=_site(environment.get("AIRWAY_RELAY_SITE_FILE")),
            egress=_egress(environment),
            delivers=environment.get("AIRWAY_RELAY_DELIVER", "yes") != "no",
            access=_access(environment),
            check_in_link_days=_whole(environment, "AIRWAY_RELAY_CHECK_IN_LINK_DAYS", cls.check_in_link_days, 1, 60),
            budgets=_budgets(environment),
            audit_key_file=environment.get("AIRWAY_RELAY_AUDIT_KEY_FILE", ""),
            emergency_clients=_words(environment.get("AIRWAY_RELAY_EMERGENCY_CLIENTS", "")),
            emergency_people=_words(environment.get("AIRWAY_RELAY_EMERGENCY_PEOPLE", "physician")),
            emergency_hours=_whole(environment, "AIRWAY_RELAY_EMERGENCY_HOURS", cls.emergency_hours, 1, 24),
        )
        settings.check()
        return settings

    @property
    def public_url(self) -> str:
        """Under which address clients know the service, without a slash at its end."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return self.access.public_url or f"http://{host}:{self.port}"

    @property
    def seal_key_file(self) -> Path:
        """The file with the key that seals the secrets of subscribers; beside the signing keys unless it is set."""
        return Path(self.access.seal_key_file or Path(self.access.key_file).parent / SEAL_KEY)

    @property
    def links_sign_in(self) -> bool:
        """Whether people sign in by one-time links: on this machine alone, unless the operator says otherwise."""
        sign_in = self.access.sign_in
        here = _is_loopback(self.host) and not self.public_url.startswith("https://")
        return sign_in.links_everywhere or (here and not sign_in.issuer)

    def check(self) -> None:
        """SettingsError when the service would listen to strangers without access control and TLS."""
        for fault in self.access.faults(_is_loopback(self.host)):
            raise SettingsError(fault)
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


def _words(text: str) -> frozenset[str]:
    return frozenset(text.replace(",", " ").split())


def _budgets(environment: Mapping[str, str]) -> Budgets:
    own = Budgets
    return Budgets(
        connections=_whole(environment, "AIRWAY_RELAY_CONNECTIONS", own.connections, LEAST_CONNECTIONS, 100_000),
        connections_per_address=_whole(
            environment, "AIRWAY_RELAY_CONNECTIONS_PER_ADDRESS", own.connections_per_address, 1, 100_000
        ),
        request_seconds=_whole(environment, "AIRWAY_RELAY_REQUEST_SECONDS", own.request_seconds, 1, 600),
        least_bytes_per_second=_whole(
            environment, "AIRWAY_RELAY_LEAST_BYTES_PER_SECOND", own.least_bytes_per_second, 1, 1_000_000
        ),
        work_per_client=_whole(environment, "AIRWAY_RELAY_WORK_PER_CLIENT", own.work_per_client, 1, 100),
    )


def _egress(environment: Mapping[str, str]) -> Egress:
    on_loopback = environment.get("AIRWAY_RELAY_CALLBACKS_ON_LOOPBACK", "") == "yes"
    try:
        return Egress(environment.get("AIRWAY_RELAY_CALLBACKS", ""), on_loopback)
    except ValueError as error:
        raise SettingsError(f"AIRWAY_RELAY_CALLBACKS: {error}.") from None


def _access(environment: Mapping[str, str]) -> AccessSettings:
    try:
        return access_settings(environment)
    except ValueError as error:
        raise SettingsError(str(error)) from None


def _site(name: str | None) -> Site:
    return read_site_file(name) if name else Site()


def _zone(name: str) -> tzinfo:
    if name == "UTC":
        return UTC
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        raise SettingsError(f"AIRWAY_RELAY_TIME_ZONE={name} is not a time zone, such as Europe/Dublin.") from None
