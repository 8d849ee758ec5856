"""Which correction belongs to an engine, and what that choice takes for granted."""

from __future__ import annotations

from typing import Any, Literal, cast

from loadlearn.vehicle.atmosphere import Aspiration, Correction, Ignition
from loadlearn.vehicle.rig import Rig

_IGNITION: dict[str, Ignition] = {"diesel": "compression", "petrol": "spark"}
_ASPIRATION = {"naturally_aspirated": "natural"}
_STANDARD_NAMES = {"iso_1585": "ISO 1585", "sae_j1349": "SAE J1349"}
Source = Literal["stated", "rig", "assumed"]


def correction_for(
    rig: Rig | None,
    ignition: str | None = None,
    aspiration: str | None = None,
    **parameters: Any,
) -> tuple[Correction, dict[str, Source]]:
    """The correction of a rig's engine: what is stated wins, then the rig, then an assumption.

    Parameters
    ----------
    rig : Rig, optional
        A petrol engine is corrected as one with spark ignition, a diesel with compression ignition.
    ignition, aspiration : str, optional
        Stated by a person: ``compression`` or ``spark``; ``turbocharged`` or
        ``naturally_aspirated`` (``natural`` for short).
    **parameters
        Further fields of :class:`~loadlearn.vehicle.atmosphere.Correction`.

    Returns
    -------
    correction : Correction
    sources : dict of str to str
        Where ``ignition`` and ``aspiration`` are from: ``stated``, ``rig`` or ``assumed``.

    Raises
    ------
    InputError
        A value that is not known.
    """
    sources: dict[str, Source] = {}
    chosen: dict[str, str] = {}
    engine = None if rig is None else rig.engine
    for name, said, shown, usual in (
        ("ignition", ignition, engine and _IGNITION[engine.fuel], "compression"),
        ("aspiration", aspiration, engine and engine.aspiration, "turbocharged"),
    ):
        value = said or shown or usual
        chosen[name] = _ASPIRATION.get(value, value)
        sources[name] = "stated" if said else "rig" if shown else "assumed"
    correction = Correction(
        ignition=cast(Ignition, chosen["ignition"]),
        aspiration=cast(Aspiration, chosen["aspiration"]),
        **parameters,
    )
    return correction, sources


def basis(
    correction: Correction, sources: dict[str, Source], settings: dict[str, Any], rig: Rig | None
) -> list[str]:
    """What the correction and the torque at the engine rest on, one sentence each.

    Parameters
    ----------
    correction : Correction
    sources : dict
        From :func:`correction_for`.
    settings : dict
        Of the comparison: where torque was measured, and the driveline's efficiency.
    rig : Rig, optional
    """
    spark = correction.ignition == "spark"
    kind = "spark ignition" if spark else "compression ignition"
    if not spark:
        kind += ", turbocharged" if correction.aspiration == "turbocharged" else ", not boosted"
    considered = ["ignition"] if spark else ["ignition", "aspiration"]
    said = {sources[name] for name in considered}
    if said == {"assumed"}:
        why = "ASSUMED, as neither --rig nor --ignition says what engine it is"
    elif "assumed" in said:
        what = next(name for name in considered if sources[name] == "assumed")
        why = f"{what} ASSUMED, as neither --rig nor --{what} says it"
    elif said == {"rig"} and rig is not None:
        why = f"as the rig's engine, {rig.engine.fuel}"
    else:
        why = "as stated"
    standard = _STANDARD_NAMES[correction.standard]
    sentences = [f"corrected by {standard}, {kind} ({why})"]
    if spark and correction.standard == "sae_j1349":
        # 1.18 = 1 / 0.85 and 0.18 = 0.15 / 0.85: indicated torque is corrected, friction is not.
        sentences.append(
            "mechanical efficiency ASSUMED, 85 %: the standard's for an engine whose friction was "
            "not measured (from memory; its formula's 1.18 and 0.18 hold it)"
        )
    else:
        sentences.append(
            "mechanical efficiency: the formula holds none, brake torque is multiplied as a whole, "
            "as if friction changed with the weather too"
        )
    efficiency, sd = settings["driveline_efficiency"], settings["driveline_efficiency_sd"]
    if settings["torque_measured_at"] == "wheels":
        sentences.append(
            f"driveline efficiency {100.0 * efficiency:g} % (sd {100.0 * sd:g} %) from crankshaft "
            "to tread, not measured: an error of it shifts the engine's curves, not the gain"
        )
    return sentences


def contradictions(
    correction: Correction, sources: dict[str, Source], rig: Rig | None
) -> list[str]:
    """Where what was stated is not what the rig says; what was stated is used."""
    if rig is None or sources["ignition"] != "stated":
        return []
    if correction.ignition == _IGNITION[rig.engine.fuel]:
        return []
    return [
        f"{correction.ignition} ignition was stated, but the rig's engine burns "
        f"{rig.engine.fuel}: what was stated is used, so check both"
    ]
