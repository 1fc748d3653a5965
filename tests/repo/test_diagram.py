"""The drawing in DEVELOPERS.md is the machine that runs."""

from __future__ import annotations

import random

import pytest

from lungfish.core.cycle import Cycle
from lungfish.core.events import Action, Event
from lungfish.core.reading import Phase
from lungfish.core.setup import Learned
from lungfish.rig.drive import LinkTiming, run_plant_cycle
from lungfish.rig.plant import Plant
from tests.campaign.seeded_plants import draw_plant
from tests.repo.diagram import arrows, drawing, drawn_in_document


def test_the_document_shows_the_table_as_it_is() -> None:
    assert drawn_in_document() == drawing(), "renew it: python -m tests.repo.diagram"


def test_no_cycle_takes_a_way_that_is_not_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    taken: dict[tuple[Phase, Phase], set[str]] = {}
    step = Cycle.step

    def watched(self: Cycle, event: Event) -> tuple[Action, ...]:
        before = self.phase
        actions = step(self, event)
        if self.phase is not before:
            taken.setdefault((before, self.phase), set()).add(type(event).__name__)
        return actions

    monkeypatch.setattr(Cycle, "step", watched)
    for seed in range(12):
        rng = random.Random(seed)
        seeded = draw_plant(seed)
        share = (0.0, 0.02, 0.3)[seed % 3]

        def fails(_now_s: float, rng: random.Random = rng, share: float = share) -> bool:
            return rng.random() < share

        timing = LinkTiming(read_fails=fails, write_fails=fails)
        run_plant_cycle(Plant(seeded.params, seed), seeded.setup, Learned(), timing)
    drawn = arrows()
    assert {change: events - set(drawn.get(change, ())) for change, events in taken.items()} == {
        change: set() for change in taken
    }
    assert {(Phase.LOOK, Phase.FILL), (Phase.FILL, Phase.HOLD), (Phase.HOLD, Phase.SHUT_IN)} <= set(taken)
