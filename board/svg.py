"""Small trends drawn by the server: a line that breaks where nothing is known. No script, no inline style."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

WIDTH, HEIGHT, EDGE = 140, 30, 2


def spark(values: Sequence[float | None], said: str, *, limit: float | None = None) -> Markup:
    """A trend of ``values`` at equal steps; ``said`` tells it in words, ``limit`` is drawn when it is in reach."""
    known = [value for value in values if value is not None]
    if not known:
        return Markup("")
    low, high = min(known), max(known)
    near = limit is not None and low <= limit <= high + (high - low)
    if near and limit is not None:
        high = max(high, limit)
    scale = (HEIGHT - 2 * EDGE) / (high - low) if high > low else 0.0
    step = (WIDTH - 2 * EDGE) / max(1, len(values) - 1)

    def y(value: float) -> float:
        return HEIGHT - EDGE - (value - low) * scale if scale else HEIGHT / 2

    path, pen = [], False
    for at, value in enumerate(values):
        if value is not None:
            path.append(f"{'L' if pen else 'M'}{EDGE + at * step:.0f} {y(value):.1f}{'' if pen else 'h.1'}")
        pen = value is not None
    line = Markup('<path class="limit" d="M0 {0}H{1}"/>').format(f"{y(limit):.1f}", WIDTH) if near and limit else ""
    return Markup('<svg class="spark" viewBox="0 0 {} {}" role="img" aria-label="{}">{}<path d="{}"/></svg>').format(
        WIDTH, HEIGHT, said, line, "".join(path)
    )
