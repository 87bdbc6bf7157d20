"""The check of the bills of materials finds what is missing, other or too much."""

from __future__ import annotations

from tests.operations.check_sbom import faults
from tests.operations.locks import packages_of

_LOCKED = packages_of("httpx==0.28.1 \\\n    --hash=sha256:aa\nhttp-core==1.0 \\\n    --hash=sha256:bb\n")


def _bill(**versions: str) -> dict[str, object]:
    return {"components": [{"name": name, "version": version} for name, version in versions.items()]}


def test_the_same_packages_are_no_fault():
    assert list(faults(_bill(httpx="0.28.1", Http_Core="1.0", pip="24.0"), _LOCKED)) == []


def test_a_missing_another_and_a_further_package_are_told():
    assert list(faults(_bill(httpx="0.27.0", h11="0.16.0"), _LOCKED)) == [
        "http-core 1.0 is locked and not named",
        "httpx 0.28.1 is locked and not named",
        "h11 0.16.0 is named and not locked",
        "httpx 0.27.0 is named and not locked",
    ]


def test_an_empty_bill_lacks_all():
    assert len(list(faults({}, _LOCKED))) == 2
