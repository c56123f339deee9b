"""A hundred small marks as inline SVG: shares that people can count, told by shape and by words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import floor

from markupsafe import Markup

WHOLE = 100
ROW = 20  # marks in a row
CELL = 20  # a mark's room, in the picture's own units
CLOSE = 1e-6  # to 1, for shares that make one whole

# Each kind's shape around the middle of its room; pages.css gives the colours.
SHAPES: Mapping[str, Markup] = {
    "better": Markup('<circle class="better" cx="{x}" cy="{y}" r="7.5"/>'),
    "unchanged": Markup('<circle class="unchanged" cx="{x}" cy="{y}" r="6.2"/>'),
    "worse": Markup('<path class="worse" d="M{x} {y}m-7.5-6.5h15l-7.5 13.5z"/>'),
    "not_measured": Markup('<path class="not-measured" d="M{x} {y}m-4-4h8v8h-8z"/>'),
    "together": Markup('<path class="together" d="M{x} {y}m0-7.5l7.5 7.5l-7.5 7.5l-7.5-7.5z"/>'),
}


@dataclass(frozen=True)
class Part:
    """So many of a hundred, how that is told (`52`, `fewer than 5`), and of what."""

    kind: str
    of_100: int
    told: str
    what: str


def of_100(shares: Sequence[float], step: int, *, with_rest: bool = False) -> list[int]:
    """Shares of one whole as multiples of `step` that make 100, by the largest remainders.

    Of equal remainders the earlier share's is taken for the larger. `with_rest`: what the shares
    leave of the whole is one more part, the last.

    Raises:
        ValueError: the shares do not make 1, or 100 is no multiple of the step.
    """
    if with_rest:
        shares = [*shares, 1 - sum(shares)]
    if abs(sum(shares) - 1) > CLOSE or min(shares) < -CLOSE:
        raise ValueError(f"shares {shares} make no 100")
    if WHOLE % step:
        raise ValueError(f"100 is no multiple of {step}")
    exact = [round(share * WHOLE / step, 6) for share in shares]
    found = [floor(steps) for steps in exact]
    left = WHOLE // step - sum(found)
    by_remainder = sorted(range(len(exact)), key=lambda i: (found[i] - exact[i], i))
    for place in by_remainder[:left]:
        found[place] += 1
    return [steps * step for steps in found]


def array(parts: Sequence[Part]) -> Markup:
    """The hundred as one picture, part after part, row by row; its words are the parts' own.

    Raises:
        ValueError: the parts do not make 100.
    """
    kinds = [part.kind for part in parts for _ in range(part.of_100)]
    if len(kinds) != WHOLE:
        raise ValueError(f"the parts make {len(kinds)}, not {WHOLE}")
    marks = (_mark(kind, place % ROW, place // ROW) for place, kind in enumerate(kinds))
    says = f"Of {WHOLE}: {'; '.join(f'{part.told} {part.what}' for part in parts)}."
    size = f"0 0 {ROW * CELL} {WHOLE // ROW * CELL}"
    return Markup('<svg class="icons" viewBox="{}" role="img" aria-label="{}">{}</svg>').format(
        size, says, Markup("").join(marks)
    )


def mark(kind: str) -> Markup:
    """One mark for the key, passed over when read aloud."""
    return Markup('<svg class="icons mark" viewBox="0 0 {} {}" aria-hidden="true">{}</svg>').format(
        CELL, CELL, _mark(kind, 0, 0)
    )


def _mark(kind: str, column: int, row: int) -> Markup:
    return SHAPES[kind].format(x=column * CELL + CELL // 2, y=row * CELL + CELL // 2)
