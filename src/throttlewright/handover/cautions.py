"""Cautions that every report shows, and what its figures do not promise."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CAUTIONS", "NO_CERTIFICATE", "Caution"]


@dataclass(frozen=True)
class Caution:
    """One thing that can hurt: a few words to find it by, and what to do."""

    topic: str
    text: str


CAUTIONS = (
    Caution(
        "Plates shut on fingers",
        "A powered plate closes faster than a hand can leave and is strong enough to injure. "
        "Keep fingers, tools, rags and hair out of the bore, and unplug the plate before you "
        "reach in.",
    ),
    Caution(
        "Engines rev unasked",
        "Arming, learning the stops, a new set of control numbers or a loose sensor wire can open "
        "the plate without warning. Move the plate for the first time with the engine off, fuel "
        "and ignition disabled, and keep within reach a switch that cuts plate power, fuel and "
        "ignition by wire, not by software.",
    ),
    Caution(
        "An open inlet swallows things",
        "With the inlet pipe off, a running engine draws in whatever is near it. Fit a guard, or "
        "do not run it open.",
    ),
    Caution(
        "Wheels off the ground",
        "Use rated stands or a strapped-down car, gearbox in neutral, parking brake on, nobody in "
        "front of or behind the car. A wheel that hangs free turns when you do not expect it.",
    ),
    Caution(
        "Exhaust, heat and noise",
        "Lead exhaust gas out of the room: it kills without smell. Manifolds, turbine housings "
        "and a stalled plate motor burn skin. Wear ear protection and have a fire extinguisher at "
        "hand.",
    ),
    Caution(
        "Springs and cut-off first",
        "Before the car moves, show cold and hot that the plate falls back to its rest opening "
        "without power, and that each sensor wire, unplugged in turn, leads to a safe reaction. "
        "Never widen a plausibility limit to clear a fault.",
    ),
    Caution(
        "First drive",
        "Drive first on closed ground with the opening capped, with an observer, and check that "
        "the brakes hold the car against the engine.",
    ),
    Caution(
        "Road law and emissions",
        "A changed throttle or control can end a car's approval, its inspection and its insurance "
        "and can break emissions law. Local law decides, not this report. Ask the authority "
        "before the car goes on a public road.",
    ),
    Caution(
        "Event rules",
        "Race series set their own limits for throttles, sensors and springs, and change them. "
        "Read the rule book of your series and year; it comes before anything printed here.",
    ),
    Caution(
        "Who decides",
        "This is advice worked out from the data given. A competent person, licensed where the "
        "law asks for it, checks it and signs for it; whoever stands at the car decides.",
    ),
)
"""Always shown, in the order a job meets them. Common practice, no source."""

NO_CERTIFICATE = (
    "Nothing here is a safety certificate, an approval or a claim to meet a safety standard."
)
