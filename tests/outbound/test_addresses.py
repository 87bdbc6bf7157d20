"""Where notices may go: the list, the spelling of addresses, and what is not the public internet."""

from __future__ import annotations

import pytest

from service.outbound.addresses import Egress, is_public, target_of
from tests.outbound.hostile import LISTED, NOT_LISTED, NOT_PUBLIC, ODD


@pytest.mark.parametrize("address", NOT_PUBLIC)
def test_an_address_that_is_not_of_the_public_internet_is_refused(address: str) -> None:
    assert not is_public(address)


@pytest.mark.parametrize("address", ["93.184.216.34", "8.8.8.8", "172.32.0.1", "100.128.0.1", "2a00:1450:4001::200e"])
def test_an_address_of_the_public_internet_is_taken(address: str) -> None:
    assert is_public(address)


@pytest.mark.parametrize(
    "url",
    [
        "https://hooks.office.example",
        "https://hooks.office.example/",
        "https://hooks.office.example:443/any/path?office=7",
        "https://lab.example:8443/relay",
        "https://lab.example:8443/relay/notices",
        "https://93.184.216.34/x",
    ],
)
def test_what_the_site_has_listed_is_taken(url: str) -> None:
    assert Egress(LISTED).why_not(url) == ""


@pytest.mark.parametrize("url", NOT_LISTED)
def test_what_is_not_listed_is_refused(url: str) -> None:
    assert Egress(LISTED).why_not(url) != ""


@pytest.mark.parametrize("url", ODD)
def test_an_odd_spelling_is_no_address_at_all(url: str) -> None:
    assert target_of(url) is None
    assert Egress(LISTED).why_not(url) != ""


@pytest.mark.parametrize("address", [a for a in NOT_PUBLIC if a and " " not in a and "%" not in a])
def test_an_address_that_is_not_public_is_refused_although_it_is_listed(address: str) -> None:
    host = f"[{address}]" if ":" in address else address
    try:
        egress = Egress(host)
    except ValueError:
        return
    assert egress.why_not(f"https://{host}/") != ""


def test_nothing_leaves_while_nothing_is_listed() -> None:
    assert Egress().is_empty
    assert "listed no callback addresses" in Egress().why_not("https://hooks.office.example/")


def test_loopback_is_taken_only_when_a_setting_says_so() -> None:
    for url in ("http://127.0.0.1:9000/hook", "http://localhost:9000/hook", "http://[::1]:9000/hook"):
        assert "machine itself" in Egress("127.0.0.1 localhost [::1]").why_not(url)
        assert Egress("127.0.0.1 localhost [::1]", on_loopback=True).why_not(url) == ""
    allowed = Egress("127.0.0.1:9000 hooks.office.example", on_loopback=True)
    assert allowed.why_not("http://127.0.0.1:9000/") == ""
    assert allowed.why_not("http://127.0.0.1:9001/") != ""
    assert "https" in allowed.why_not("http://hooks.office.example:443/")


def test_a_name_must_lead_to_public_addresses_only() -> None:
    egress = Egress("hooks.office.example localhost", on_loopback=True)
    name, here = target_of("https://hooks.office.example/"), target_of("http://localhost:9000/")
    assert name and here
    assert egress.why_not_at(name, ["93.184.216.34"]) == ""
    for addresses in ([], ["127.0.0.1"], ["93.184.216.34", "10.0.0.1"], ["10.0.0.1", "93.184.216.34"]):
        assert egress.why_not_at(name, addresses) != ""
    assert egress.why_not_at(here, ["127.0.0.1", "::1"]) == ""
    assert egress.why_not_at(here, ["93.184.216.34"]) != ""


@pytest.mark.parametrize("listed", ["https://", "*.example", "https://user@a.example/", "a.example/path", "0x7f.1"])
def test_a_list_that_cannot_be_read_is_refused(listed: str) -> None:
    with pytest.raises(ValueError, match="neither a host nor a URL"):
        Egress(f"hooks.office.example {listed}")


@pytest.mark.parametrize(
    "address", ["168.63.129.16", "169.254.169.254", "169.254.170.2", "100.100.100.200", "192.0.0.192", "fd00:ec2::254"]
)
def test_where_platforms_answer_their_machines_is_not_public(address: str) -> None:
    """Where clouds keep what a machine may know of itself (their documentation, from memory)."""
    assert not is_public(address)
    assert not is_public(f"::ffff:{address}")
