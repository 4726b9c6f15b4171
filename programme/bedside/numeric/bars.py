"""The graduated bars of the bedside page: 100 mL blocks, a needle where it stands, a heavy tick where it should end."""

from dataclasses import dataclass

BLOCK_ML = 100.0
WIDTH = 560.0


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar in picture units: blocks (x, width, dark), the needle and the tick of the plan."""

    blocks: tuple[tuple[str, str, bool], ...]
    needle: str
    tick: str


def bar(done_ml: float, planned_ml: float, scale_ml: float) -> Bar:
    """Return the bar of `done_ml` out of `planned_ml` on a scale that ends at `scale_ml`. [mL]"""
    a_ml = WIDTH / scale_ml
    blocks, start = [], 0.0
    while start < done_ml:
        end = min(start + BLOCK_ML, done_ml)
        blocks.append((f"{start * a_ml:.1f}", f"{(end - start) * a_ml:.1f}", round(start / BLOCK_ML) % 2 == 0))
        start += BLOCK_ML
    return Bar(tuple(blocks), f"{done_ml * a_ml:.1f}", f"{planned_ml * a_ml:.1f}")


def scale_of(*volumes_ml: float) -> float:
    """Return the end of the scale on which all these volumes have room, a whole number of blocks. [mL]"""
    return BLOCK_ML * (int(max(volumes_ml) / BLOCK_ML) + 2)
