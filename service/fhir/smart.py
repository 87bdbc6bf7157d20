"""How this server is reached by SMART Backend Services, as clients discover it.

https://hl7.org/fhir/smart-app-launch/STU2.2/conformance.html
"""

from __future__ import annotations

from typing import Any

from service.fhir.build import Resource
from service.fhir.validate import TYPES

_KINDS = ("*", *TYPES, "Subscription")


def smart_configuration_of(base: str, token_url: str, own: bool) -> dict[str, Any]:
    """The discovery document; `own` when the service itself makes the tokens."""
    neighbours = {"introspection_endpoint": f"{base}/introspect", "revocation_endpoint": f"{base}/revoke"}
    return {
        "token_endpoint": token_url,
        **(neighbours if own else {}),
        "grant_types_supported": ["client_credentials"],
        "token_endpoint_auth_methods_supported": ["private_key_jwt"],
        "token_endpoint_auth_signing_alg_values_supported": ["RS384", "ES384"],
        "scopes_supported": [f"system/{kind}.{letters}" for kind in _KINDS for letters in ("rs", "cruds")],
        # required of every server by the standard, although nothing is authorised by a code here
        "code_challenge_methods_supported": ["S256"],
        "capabilities": ["client-confidential-asymmetric", "permission-v2"],
    }


def security(on: bool) -> Resource:
    """The security of a CapabilityStatement (https://hl7.org/fhir/R4/capabilitystatement.html)."""
    if not on:
        return {"description": "Access control is off: the service listens on this machine alone."}
    system = "http://terminology.hl7.org/CodeSystem/restful-security-service"
    return {
        "cors": False,
        "service": [{"coding": [{"system": system, "code": "SMART-on-FHIR"}], "text": "SMART Backend Services 2.2.0"}],
        "description": "Access tokens by client_credentials and private_key_jwt; see .well-known/smart-configuration.",
    }
