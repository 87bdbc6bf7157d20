"""The settings of notices, as the environment gives them."""

from __future__ import annotations

import pytest

from service.settings import Settings, SettingsError


def test_nothing_may_leave_unless_a_site_says_so() -> None:
    settings = Settings.from_environment({})
    assert settings.egress.is_empty and settings.delivers


def test_a_site_lists_where_notices_may_go() -> None:
    environment = {
        "AIRWAY_RELAY_CALLBACKS": "hooks.office.example,127.0.0.1",
        "AIRWAY_RELAY_CALLBACKS_ON_LOOPBACK": "yes",
        "AIRWAY_RELAY_DELIVER": "no",
    }
    settings = Settings.from_environment(environment)
    assert settings.egress.why_not("https://hooks.office.example/x") == ""
    assert settings.egress.why_not("http://127.0.0.1:9000/x") == ""
    assert not settings.delivers
    del environment["AIRWAY_RELAY_CALLBACKS_ON_LOOPBACK"]
    assert Settings.from_environment(environment).egress.why_not("http://127.0.0.1:9000/x") != ""


def test_a_list_that_cannot_be_read_names_the_setting() -> None:
    with pytest.raises(SettingsError, match=r"AIRWAY_RELAY_CALLBACKS: \*\.example is neither a host nor a URL"):
        Settings.from_environment({"AIRWAY_RELAY_CALLBACKS": "*.example"})
