"""What must be said wherever numbers for people are printed. Wording of our own. Pure."""

from __future__ import annotations

from bridge.interlock import NOT_SAFE

GUIDANCE = (
    "Every number here is guidance, reckoned from what you told the program. Local codes, licensed "
    "practice and your own measurements come first, and none of them is replaced by it."
)

CAUTIONS: tuple[tuple[str, str], ...] = (
    ("silence", NOT_SAFE),
    (
        "emergency stop",
        "The emergency stop overrides every other function, stays in until it is reset by hand at "
        "its place, and its reset starts nothing (ISO 13850). It completes guards and distance and "
        "replaces neither. This program is no safety-rated stop: the button's own contacts open "
        "the mains contactor of every coil.",
    ),
    (
        "the line",
        "Nobody crosses the line while a coil can be armed, and somebody does nothing but watch "
        "it. The distances stand on what the coils can do, not on what is being played.",
    ),
    (
        "overhead",
        "Distance counts upward too: roofs, sprinklers, smoke detectors, lighting bars, branches, "
        "cables. An arc takes the nearest earthed thing.",
    ),
    (
        "bodies",
        "Pacemakers, implants, insulin pumps and hearing aids stay outside, well beyond the line, "
        "and the audience is told so at the entrance. Flicker may set off seizures: say it too.",
    ),
    (
        "ears",
        "Hearing protection at the operator's place always, and for the audience wherever the "
        "table says more than 85 dB. Children hear it closer to the coil than their parents do.",
    ),
    (
        "air",
        "Arcs make ozone and nitrogen oxides. Indoors, ventilate; 0.1 ppm of ozone is the most "
        "allowed over a working day (29 CFR 1910.1000, table Z-1, from memory).",
    ),
    (
        "fire",
        "Arcs light cloth, paint, dust and gas. Clear the floor, keep an extinguisher for live "
        "electrics (carbon dioxide) at the operator's place, and no fog of glycol near the coil.",
    ),
    (
        "electronics",
        "Radio field and earth currents ruin phones, cameras, hearing loops and mixing desks. The "
        "fibre keeps them off the controller; separate mains and earth keep them off the rest.",
    ),
    (
        "the driver",
        "Each driver has its own over-current trip and its own limit of pulse length, tested "
        "before the bus is turned up. One pulse too long kills an output stage.",
    ),
    (
        "earthing",
        "The secondary's base goes to its own earth, never to the building's protective conductor "
        "alone. Have the mains side done by somebody licensed for it.",
    ),
    (
        "breakers",
        "A model of a breaker is not the breaker: warm cabinets, old breakers and other loads trip "
        "earlier. An RCD may trip from high frequency alone; do not take it out.",
    ),
)
