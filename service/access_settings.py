"""What can be set of access control and of the way in: tokens, keys, TLS, proxies."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from ipaddress import ip_network

from service.outbound.addresses import Egress, target_of
from service.sign_in_settings import SignInSettings, sign_in_settings


@dataclass(frozen=True)
class AccessSettings:
    """Access control, off unless it is turned on. `public_url` is empty when it follows from where the service listens.

    `seal_key_file` is empty for one beside the key file.
    """

    on: bool = False
    public_url: str = ""
    key_file: str = "airway-relay-keys.json"
    seal_key_file: str = ""
    jwks_hosts: Egress = field(default_factory=Egress)
    issuer: str = ""
    issuer_jwks_url: str = ""
    issuer_token_url: str = ""
    audience: str = ""
    tls_certificate: str = ""
    tls_key: str = ""
    proxies: tuple[str, ...] = ()
    refuses_unknown_offices: bool = False
    sign_in: SignInSettings = field(default_factory=SignInSettings)

    def faults(self, loopback: bool) -> Iterator[str]:
        """Why the service does not start with these settings, each in one plain line."""
        if not loopback and not self.on:
            yield "AIRWAY_RELAY_HOST listens beyond this machine; that needs AIRWAY_RELAY_ACCESS=on."
        if not loopback and not self.tls_certificate and not self.proxies:
            yield (
                "AIRWAY_RELAY_HOST listens beyond this machine; that needs TLS: AIRWAY_RELAY_TLS_CERTIFICATE and "
                "AIRWAY_RELAY_TLS_KEY, or the addresses of a proxy that ends TLS in AIRWAY_RELAY_PROXIES."
            )
        if not loopback and not self.public_url.startswith("https://"):
            yield "AIRWAY_RELAY_HOST listens beyond this machine; AIRWAY_RELAY_PUBLIC_URL must be the https address of it."
        if bool(self.tls_certificate) != bool(self.tls_key):
            yield "AIRWAY_RELAY_TLS_CERTIFICATE and AIRWAY_RELAY_TLS_KEY are set both or not at all."
        if self.public_url and not _is_base(self.public_url):
            yield "AIRWAY_RELAY_PUBLIC_URL is an address such as https://relay.example, without a path."
        for proxy in self.proxies:
            if not _is_network(proxy):
                yield f"AIRWAY_RELAY_PROXIES: {proxy} is neither an IP address nor a network such as 10.0.5.0/24."
        yield from self._faults_of_issuer()
        yield from self.sign_in.faults(self.jwks_hosts)

    def _faults_of_issuer(self) -> Iterator[str]:
        others = (self.issuer_jwks_url, self.issuer_token_url)
        if not self.issuer and not any(others):
            return
        if not self.issuer or not all(others):
            yield (
                "AIRWAY_RELAY_ISSUER, AIRWAY_RELAY_ISSUER_JWKS_URL and AIRWAY_RELAY_ISSUER_TOKEN_URL are set together or "
                "not at all."
            )
        elif self.jwks_hosts.why_not(self.issuer_jwks_url):
            yield "AIRWAY_RELAY_ISSUER_JWKS_URL is not an https URL on a host that AIRWAY_RELAY_JWKS_HOSTS lists."


def access_settings(environment: Mapping[str, str]) -> AccessSettings:
    """The settings from environment variables. ValueError, in one plain line, for one that cannot be read."""
    on = environment.get("AIRWAY_RELAY_ACCESS", "off")
    if on not in ("on", "off"):
        raise ValueError("AIRWAY_RELAY_ACCESS is on or off.")
    unknown_offices = environment.get("AIRWAY_RELAY_UNKNOWN_OFFICES", "keep")
    if unknown_offices not in ("keep", "refuse"):
        raise ValueError("AIRWAY_RELAY_UNKNOWN_OFFICES is keep or refuse.")
    try:
        hosts = Egress(
            environment.get("AIRWAY_RELAY_JWKS_HOSTS", ""),
            environment.get("AIRWAY_RELAY_JWKS_ON_LOOPBACK", "") == "yes",
        )
    except ValueError as error:
        raise ValueError(f"AIRWAY_RELAY_JWKS_HOSTS: {error}.") from None
    return AccessSettings(
        on=on == "on",
        public_url=environment.get("AIRWAY_RELAY_PUBLIC_URL", "").rstrip("/"),
        key_file=environment.get("AIRWAY_RELAY_KEY_FILE", AccessSettings.key_file),
        seal_key_file=environment.get("AIRWAY_RELAY_SEAL_KEY_FILE", ""),
        jwks_hosts=hosts,
        issuer=environment.get("AIRWAY_RELAY_ISSUER", ""),
        issuer_jwks_url=environment.get("AIRWAY_RELAY_ISSUER_JWKS_URL", ""),
        issuer_token_url=environment.get("AIRWAY_RELAY_ISSUER_TOKEN_URL", ""),
        audience=environment.get("AIRWAY_RELAY_AUDIENCE", ""),
        tls_certificate=environment.get("AIRWAY_RELAY_TLS_CERTIFICATE", ""),
        tls_key=environment.get("AIRWAY_RELAY_TLS_KEY", ""),
        refuses_unknown_offices=unknown_offices == "refuse",
        proxies=tuple(environment.get("AIRWAY_RELAY_PROXIES", "").replace(",", " ").split()),
        sign_in=sign_in_settings(environment),
    )


def _is_base(url: str) -> bool:
    target = target_of(url)
    return target is not None and target.path == "/"


def _is_network(text: str) -> bool:
    try:
        return ip_network(text).prefixlen > 0
    except ValueError:
        return False
