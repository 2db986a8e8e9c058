"""What a person says of a plan, before anything is bought or in place of what is known: values only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from otherroof.settings.versions import SpacingLine


@dataclass(frozen=True, slots=True)
class PlanRequest:
    """Sizes in bytes, rates in Mbit/s, times in hours; 0, None or empty: not said.

    `few`: paths in the folder that are wanted first after a loss. `spacing`: another rule to hold beside the one in the
    settings. `loss` is a share of 1.
    """

    size: float = 0.0
    files: float = 0.0
    daily: float = 0.0
    growth: float | None = None
    up_mbit: float = 0.0
    far_up_mbit: float = 0.0
    round_trip_ms: float = 0.0
    loss: float = 0.0
    window: str = ""
    limits: Mapping[str, float] = field(default_factory=dict)
    month: float = 0.0
    disk: float = 0.0
    spacing: tuple[SpacingLine, ...] = ()
    few: tuple[str, ...] = ()
    few_size: float = 0.0
    carry_hours: float = 24.0
    fetch_hours: float = 4.0
