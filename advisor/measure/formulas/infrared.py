"""Infrared readings: a surface's temperature, and the spot that was read."""

from __future__ import annotations

from collections.abc import Mapping

from advisor.measure.formula import CANCELS, KELVIN, SURFACE, Input, Lookup, OutOfRange, formula, temperature
from advisor.measure.uncertainty import Estimate, rectangular

EMISSIVITY = {
    "car_paint": (0.92, 0.96), "matt_black_paint": (0.95, 0.99), "electrical_tape": (0.94, 0.98),
    "hard_rubber": (0.92, 0.96), "soft_rubber": (0.86, 0.89), "plastic": (0.92, 0.95),
    "carpet_or_fabric": (0.90, 0.95), "cotton": (0.75, 0.79), "black_cloth": (0.96, 1.00),
    "leather": (0.95, 0.98), "glass": (0.85, 0.94), "water": (0.94, 0.98), "ice": (0.96, 0.97),
    "frost": (0.96, 1.00), "anodised_aluminium": (0.95, 0.97), "oxidised_steel": (0.75, 0.85),
    "red_rust": (0.68, 0.72), "oxidised_copper": (0.60, 0.78), "blackened_copper": (0.78, 0.88),
    "oxidised_brass": (0.59, 0.63), "cast_aluminium": (0.44, 0.48), "bare_aluminium": (0.04, 0.30),
    "galvanised_steel": (0.20, 0.30), "polished_steel": (0.05, 0.09), "polished_copper": (0.02, 0.07),
    "polished_brass": (0.01, 0.05), "chrome": (0.06, 0.10),
}  # fmt: skip
"""Emissivity by surface, 8-14 µm (metals partly total-spectrum), lowest and highest of handbook compilations.

Where these print one figure, ± 0.02 is taken (estimate). Galvanised steel is from memory; fabric and leather
are common practice.
"""

BAND_EXPONENT = 4.58
"""Radiance within 8-14 µm goes with this power of temperature near 300 K; the total radiation with 4."""


def surface_emissivity(surface: str) -> Estimate:
    """Return the emissivity of a surface by name."""
    low, high = EMISSIVITY[surface]
    return Estimate((low + high) / 2, rectangular((high - low) / 2))


_TAPE = "Below, a surface shows the room, not itself: stick a patch of electrical tape on it and read that."


def _band_spread(value: float, numbers: Mapping[str, float], words: Mapping[str, str]) -> float:
    """Return how far the answer moves with the exponent of the band that a camera sees.

    A camera sees one band, not the total radiation.
    """
    return rectangular(abs(reflected_temperature(**numbers, exponent=BAND_EXPONENT) - value))


@formula(
    "Surface temperature, freed of reflection",
    "°C",
    "grey body, ISO 18434-1:2008 and textbooks, from memory; emissivities from handbook compilations",
    {
        "reading_c": temperature("An infrared", -40, 200),
        "emissivity": Input("1", 0.5, 1, "An emissivity", _TAPE),
        "reflected_c": temperature("A reflected", -60, 200, Estimate(20.0, rectangular(5.0))),
        "camera_emissivity": Input("1", 0.1, 1, "An emissivity set in the camera", default=Estimate(1.0)),
        "camera_reflected_c": temperature("A reflected", -60, 200, Estimate(20.0)),
    },
    choices={"surface": tuple(EMISSIVITY)},
    lookups={"emissivity": Lookup(("surface",), surface_emissivity)},
    own_uncertainty=_band_spread,
    note="Many spot thermometers are fixed at 0.95: that is camera_emissivity. Outdoors, skies reflect.",
)
def reflected_temperature(
    reading_c: float,
    emissivity: float,
    reflected_c: float,
    camera_emissivity: float = 1.0,
    camera_reflected_c: float = 20.0,
    exponent: float = 4.0,
) -> float:
    """Return a surface's true temperature, °C, from an infrared reading and what the surface reflects, °C.

    Grey body over a bay's distances, where air neither absorbs nor glows: what arrives is
    S = camera ε·T_reading⁴ + (1 − camera ε)·T_camera-reflected⁴, and the surface itself is at
    {[S − (1 − ε)·T_reflected⁴]/ε}^¼, all in kelvin. The camera's own settings are undone first.
    """
    arriving = (
        camera_emissivity * (reading_c + KELVIN) ** exponent
        + (1 - camera_emissivity) * (camera_reflected_c + KELVIN) ** exponent
    )
    glowing = (arriving - (1 - emissivity) * (reflected_c + KELVIN) ** exponent) / emissivity
    if glowing <= 0:
        raise OutOfRange(
            "The reflection alone would be brighter than what the camera saw. "
            "Check the reflected temperature and the emissivity."
        )
    return float(glowing ** (1 / exponent)) - KELVIN


@formula(
    "Temperature over a neighbour",
    "K",
    "difference",
    {"surface_c": SURFACE, "neighbour_c": SURFACE},
    note=CANCELS,
)
def over_neighbour(surface_c: float, neighbour_c: float) -> float:
    """How much warmer one surface is than another like it, K."""
    return surface_c - neighbour_c


@formula(
    "Spot that a thermometer measures",
    "mm",
    "geometry; the printed ratio of distance to spot is 2 to 3 times better than what is measured (W7)",
    {
        "distance_mm": Input("mm", 10, 20_000, "A distance"),
        "distance_to_spot": Input("1", 1, 200, "A ratio of distance to spot"),
    },
    note="The spot has to lie wholly on the target.",
)
def measured_spot(distance_mm: float, distance_to_spot: float) -> float:
    """Return the width of an infrared thermometer's spot, mm."""
    return distance_mm / distance_to_spot
