"""Mangled dumps: a short seeded set here, twenty thousand in the long run."""

from __future__ import annotations

import pytest

from scripts import fuzz
from tests.parsers import fixtures


def test_mutants_never_fail_and_lose_nothing() -> None:
    found = fuzz.run(30, seed=11)
    assert found["bad"] == 0
    assert found["mutants"] == 30


@pytest.mark.long
def test_twenty_thousand_mutants() -> None:
    assert fuzz.run(20_000, seed=1)["bad"] == 0


def test_the_proof_notices_a_parser_that_raises_or_loses() -> None:
    file = fixtures.FOLDER / "wide-slots" / "tuesday.txt"
    good = fixtures.parser_of(file)

    class Raising:
        name, version = "raising", 1
        recognise = staticmethod(good.recognise)

        def parse(self, dump: object) -> object:
            raise KeyError("lost")

    class Losing(Raising):
        def parse(self, dump: object) -> object:
            import dataclasses

            extract = good.parse(dump)
            return dataclasses.replace(extract, accounts=extract.accounts.iloc[1:])

    data = file.read_bytes()
    assert fuzz.proved(good, data) == ""
    assert "KeyError" in fuzz.proved(Raising(), data)
    assert "not accounted" in fuzz.proved(Losing(), data)
