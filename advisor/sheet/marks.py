"""The shapes of the marks, for paper and screen alike."""

from __future__ import annotations

from markupsafe import Markup

from advisor.advice.record import Mark

_RING = '<circle cx="50" cy="50" r="38" fill="none" stroke="currentColor" stroke-width="11"/>'

_SHAPES: dict[str, str] = {
    Mark.FULL: '<circle cx="50" cy="50" r="42"/>',
    Mark.RING: _RING,
    Mark.HALF: _RING + '<path d="M50 12a38 38 0 0 0 0 76z"/>',
    Mark.UP: '<path d="M50 10 95 90H5z"/>',
    Mark.DIAMOND: '<path d="M50 5 95 50 50 95 5 50z"/>',
    Mark.SQUARE: '<path d="M12 12h76v76H12z"/>',
    Mark.CROSS: '<path d="M16 16 84 84M16 84 84 16" stroke="currentColor" stroke-width="17"/>',
    Mark.PLUS: '<path d="M37 8h26v29h29v26H63v29H37V63H8V37h29z"/>',
    Mark.PAUSE: '<path d="M19 10h22v80H19zM59 10h22v80H59z"/>',
    Mark.DOT: '<circle cx="50" cy="50" r="17"/>',
    Mark.QUERY: (
        '<path d="M8 8h84v84H8z" fill="none" stroke="currentColor" stroke-width="11"/>'
        '<path d="M33 40a17 16 0 1 1 25 14c-6 4-8 6-8 11M50 71v9" fill="none" stroke="currentColor" stroke-width="10"/>'
    ),
}
"""Shapes in a field of 100 by 100; the word always stands beside them."""


def mark(name: str, size: float = 7) -> Markup:
    """Draw a mark.

    Parameters
    ----------
    name : str
        A `Mark`; another name draws the query.
    size : float
        [mm].

    Returns
    -------
    markupsafe.Markup
        An `svg` element in the colour of the text around it, hidden from screen readers: the word stands beside it.
    """
    shape = _SHAPES.get(name, _SHAPES[Mark.QUERY])
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100" width="{float(size):g}mm" '
        f'height="{float(size):g}mm" fill="currentColor" aria-hidden="true">{shape}</svg>'
    )
