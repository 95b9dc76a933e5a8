"""The main job on a shipped car, from build to report."""

from __future__ import annotations

from throttlewright.build.catalogue import load_example, load_example_intent
from throttlewright.car.pack import pack
from throttlewright.foundation.events import Cancelled, OnEvent, ignore, never
from throttlewright.workshop.common import Model
from throttlewright.workshop.design import DesignRequest, DesignResult, design_car

__all__ = ["DemoRequest", "demo"]


class DemoRequest(Model):
    """Which shipped car, and where to write."""

    example: str = "hillclimb_20t"
    out: str = "throttlewright-demo"


def demo(
    request: DemoRequest, *, on_event: OnEvent = ignore, cancelled: Cancelled = never
) -> DesignResult:
    """Design the pedal map of a shipped example and write the hand-over."""
    file = load_example(request.example)
    intent = load_example_intent(request.example)
    job = DesignRequest(build=request.example, intent=request.example, out=request.out)
    return design_car(job, file, pack(file.build), intent, on_event=on_event, cancelled=cancelled)
