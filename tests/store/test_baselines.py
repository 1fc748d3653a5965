"""Baselines and requests in the store: nothing is lost, nothing is done twice, and another process may ask."""

from __future__ import annotations

import random
import sqlite3
from pathlib import Path

import pytest

from lungfish.core.baseline import Baseline, follow, locked
from lungfish.core.traits import Trait
from lungfish.errors import StoreError
from lungfish.ports import BaselineAct
from lungfish.store import Archive, Store, leave_request
from lungfish.store.baselines import baseline_from_json
from tests.core.samples import SUMP


def some_baseline() -> Baseline:
    rng, baseline = random.Random(1), Baseline()
    for number in range(200):
        traits = {Trait.FRICTION: 900.0 + rng.gauss(0.0, 20.0), Trait.LEAK: 0.1 * number + rng.gauss(0.0, 1.0)}
        baseline, _ = follow(SUMP, baseline, traits, number * 3600.0)
    return baseline


def test_a_baseline_comes_back_as_it_was(tmp_path: Path) -> None:
    path, baseline = tmp_path / "site.db", some_baseline()
    with Store.open(path) as store:
        assert store.baseline("sump") is None
        store.put_baseline("sump", locked(baseline, True), "hash")
        store.put_baseline("sump", baseline, "hash")
        store.put_baseline("other", Baseline(), None)
        assert store.flush().result(10.0)
        assert store.baseline("sump") == (baseline, "hash")
    with Archive(path) as archive:
        stored = archive.baseline("sump")
        assert stored is not None
        assert (stored.baseline, stored.config) == (baseline, "hash")
        assert archive.baseline("nobody") is None


@pytest.mark.parametrize("text", ["", "[]", '{"tracks": 3}', '{"tracks": {"friction": {"learning": "x"}}}'])
def test_a_baseline_that_makes_no_sense_is_learned_anew(text: str) -> None:
    assert baseline_from_json(text) is None


def test_another_process_may_ask_while_the_store_is_held(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        assert store.flush().result(10.0)
        leave_request(path, "sump", BaselineAct.RESET, "J. Doe", "cleaned")
        leave_request(path, "sump", BaselineAct.LOCK, "J. Doe", "good")
        leave_request(path, "other", BaselineAct.LOCK, "J. Doe", "good")
        found = store.baseline_requests("sump").result(10.0)
        assert [(r.act, r.name, r.reason) for r in found] == [
            (BaselineAct.RESET, "J. Doe", "cleaned"),
            (BaselineAct.LOCK, "J. Doe", "good"),
        ]
        store.put_baseline("sump", Baseline(), "hash", tuple(r.number for r in found))
        assert store.flush().result(10.0)
        assert store.baseline_requests("sump").result(10.0) == ()
        assert len(store.baseline_requests("other").result(10.0)) == 1
    with Archive(path) as archive:
        assert [r.tank for r in archive.baseline_requests("other")] == ["other"]


def test_a_request_needs_a_store_of_this_format(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store yet"):
        leave_request(tmp_path / "none.db", "sump", BaselineAct.LOCK, "J. Doe", "good")
    foreign = tmp_path / "foreign.db"
    connection = sqlite3.connect(foreign)
    connection.execute("CREATE TABLE t (x)")
    connection.commit()
    connection.close()
    with pytest.raises(StoreError, match="not a store"):
        leave_request(foreign, "sump", BaselineAct.LOCK, "J. Doe", "good")
    (tmp_path / "text.db").write_text("no database at all, but long enough to be looked at" * 40)
    with pytest.raises(StoreError, match="can't be written"):
        leave_request(tmp_path / "text.db", "sump", BaselineAct.LOCK, "J. Doe", "good")
