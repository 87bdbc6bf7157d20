"""What can be set of how people sign in for the pages: an OpenID Connect provider, one-time links, how long it lasts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from service.outbound.addresses import Egress


@dataclass(frozen=True)
class SignInSettings:
    """How people sign in. Without an issuer there is no OpenID Connect."""

    issuer: str = ""
    client_id: str = ""
    secret_file: str = ""
    key_file: str = ""
    scopes: str = "openid"
    links_everywhere: bool = False
    idle_minutes: int = 30
    longest_hours: int = 12

    def faults(self, hosts: Egress) -> Iterator[str]:
        """Why the service does not start with these settings, each in one plain line."""
        proofs = (self.secret_file, self.key_file)
        if not self.issuer and (self.client_id or any(proofs)):
            yield "AIRWAY_RELAY_OIDC_CLIENT_ID, _CLIENT_SECRET_FILE and _CLIENT_KEY_FILE need AIRWAY_RELAY_OIDC_ISSUER."
        if not self.issuer:
            return
        if hosts.why_not(self.issuer) or "?" in self.issuer:
            yield "AIRWAY_RELAY_OIDC_ISSUER is not an https URL on a host that AIRWAY_RELAY_JWKS_HOSTS lists."
        if not self.client_id:
            yield "AIRWAY_RELAY_OIDC_ISSUER needs AIRWAY_RELAY_OIDC_CLIENT_ID."
        if sum(map(bool, proofs)) != 1:
            yield "AIRWAY_RELAY_OIDC_CLIENT_SECRET_FILE or AIRWAY_RELAY_OIDC_CLIENT_KEY_FILE is needed, and one of them alone."
        if "openid" not in self.scopes.split():
            yield "AIRWAY_RELAY_OIDC_SCOPES holds openid."


def sign_in_settings(environment: Mapping[str, str]) -> SignInSettings:
    """The settings from environment variables. ValueError, in one plain line, for one that cannot be read."""
    return SignInSettings(
        issuer=environment.get("AIRWAY_RELAY_OIDC_ISSUER", ""),
        client_id=environment.get("AIRWAY_RELAY_OIDC_CLIENT_ID", ""),
        secret_file=environment.get("AIRWAY_RELAY_OIDC_CLIENT_SECRET_FILE", ""),
        key_file=environment.get("AIRWAY_RELAY_OIDC_CLIENT_KEY_FILE", ""),
        scopes=environment.get("AIRWAY_RELAY_OIDC_SCOPES", SignInSettings.scopes),
        links_everywhere=environment.get("AIRWAY_RELAY_SIGN_IN_LINKS", "") == "yes",
        idle_minutes=_whole(environment, "AIRWAY_RELAY_SESSION_IDLE_MINUTES", SignInSettings.idle_minutes, 2, 720),
        longest_hours=_whole(environment, "AIRWAY_RELAY_SESSION_HOURS", SignInSettings.longest_hours, 1, 24),
    )


def _whole(environment: Mapping[str, str], name: str, default: int, low: int, high: int) -> int:
    text = environment.get(name, str(default))
    if not (text.isascii() and text.isdigit()) or not low <= int(text) <= high:
        raise ValueError(f"{name} must be a whole number from {low} to {high}.")
    return int(text)
