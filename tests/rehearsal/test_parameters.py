"""Every number of the model stands in one table with its mark and source, and nowhere else."""

import ast
import re
from pathlib import Path

import pytest

import service.rehearsal
from service.rehearsal.parameters import ParameterMark, Parameters
from service.rehearsal.table import parameter_table

PACKAGE = Path(service.rehearsal.__file__).parent
MODEL = ("patient.py", "life.py", "weeks.py", "treatment.py", "record.py")
HELD = Parameters().all()

# Counting, rounding and the calendar; nothing that says how a patient is.
NOT_OF_THE_MODEL = {0, 1, 2, 3, 4, 7, 8, 100, 0.5, 2026, 5, 6}


@pytest.mark.parametrize("parameter", HELD, ids=lambda p: p.name)
def test_has_mark_source_unit_and_meaning(parameter) -> None:
    assert isinstance(parameter.mark, ParameterMark)
    assert parameter.source and parameter.unit and parameter.meaning
    assert parameter.source.startswith("invented") == (parameter.mark is ParameterMark.INVENTED)
    if parameter.mark is ParameterMark.PUBLISHED:
        assert re.search(r"doi 10\.\d{4,}/\S+", parameter.source)


def test_every_parameter_is_used_by_the_model() -> None:
    source = "".join((PACKAGE / name).read_text() for name in MODEL)
    assert [p.name for p in HELD if not re.search(rf"\b(p|parameters|_parameters)\.{p.name}\b", source)] == []


@pytest.mark.parametrize("name", MODEL)
def test_model_holds_no_number_of_its_own(name: str) -> None:
    numbers = [
        node.value
        for node in ast.walk(ast.parse((PACKAGE / name).read_text()))
        if isinstance(node, ast.Constant) and isinstance(node.value, int | float) and not isinstance(node.value, bool)
    ]
    assert set(numbers) <= NOT_OF_THE_MODEL


def test_the_table_prints_all_of_them() -> None:
    printed = parameter_table(Parameters())
    assert printed.startswith("A SIMULATION WITH INVENTED PARTS")
    for parameter in HELD:
        assert re.search(rf"^{parameter.name} ", printed, re.MULTILINE)
        assert parameter.source in printed


def test_a_replaced_value_is_marked_invented() -> None:
    held = Parameters().with_values({"ahi_mean": 25.0}).ahi_mean
    assert (held.value, held.mark, held.source) == (25.0, ParameterMark.INVENTED, "invented")


def test_an_unknown_parameter_is_refused() -> None:
    with pytest.raises(KeyError):
        Parameters().with_values({"ahi_meen": 25.0})
