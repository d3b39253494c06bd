"""What every builder must be told, in short words, with what this very pack adds."""

from __future__ import annotations

from cellmatch.pack.chemistry import Chemistry
from cellmatch.pack.limits import Limits
from cellmatch.pack.spec import Pack

LOW_VOLTAGE_LIMIT_V = 60.0
"""Usual limit of low direct voltage (from memory of the common standards, not confirmed)."""

ALWAYS = (
    "A pack is live from the first cell on and has no off switch: treat every joint as energised work.",
    "Eye protection on, rings and watches off, tools insulated, one hand at a time, loose metal cleared away.",
    "Build at storage charge, cover what is finished, never lay the pack on a live face.",
    "An insulating ring under every positive end before any metal comes near it; count the rings.",
    "One joint at a time: measure before joining, and never join unequal voltages. Voltmeter lead in the volt socket.",
    "Do not use cells that are dented, leaking, hot, rusty or rewrapped by an unknown hand; do not revive dead cells; "
    "do not solder on cells.",
    "Fit a management board and a fuse near the pack; keep safety devices working.",
    "Charge attended, away from exits, on a surface that doesn't burn; never below 0 °C.",
    "On heat, smell, smoke or hiss: leave, call the fire service and follow its rules.",
    "Rejects: tape the ends and bring them to battery recycling.",
    "These figures rest on the readings you gave. They certify nothing: local codes and licensed practice decide.",
)

SALVAGED = (
    "Salvaged cells: check local law first. Some places forbid packs of salvaged cells for sale or for e-bikes, and "
    "IEC 63338:2024 does not permit reuse of cells without recorded lifetime data: keep where each cell came from.",
)


def cautions(pack: Pack, chemistry: Chemistry, limits: Limits) -> tuple[str, ...]:
    """Return the cautions for a pack, the ones of its own first.

    Parameters
    ----------
    pack : Pack
    chemistry : Chemistry
    limits : Limits

    Returns
    -------
    tuple of str
    """
    own = []
    full_v = pack.series * (limits.max_v or chemistry.full_v)
    if full_v > LOW_VOLTAGE_LIMIT_V:
        own.append(
            f"Full, this pack stands at {full_v:.1f} V, above {LOW_VOLTAGE_LIMIT_V:.0f} V DC: a shock can kill. Keep "
            "the middle junction the last link, and let someone qualified do or watch the work."
        )
    return (*own, *(SALVAGED if limits.salvaged else ()), *ALWAYS)
