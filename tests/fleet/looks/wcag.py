"""Contrast as WCAG 2.2 defines it (https://www.w3.org/TR/WCAG22/#dfn-relative-luminance, #dfn-contrast-ratio)."""

from __future__ import annotations


def _linear(channel: int) -> float:
    share = channel / 255
    return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4


def relative_luminance(colour: str) -> float:
    red, green, blue = (_linear(int(colour[at : at + 2], 16)) for at in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """From 1, no difference, to 21, black on white."""
    lighter, darker = sorted((relative_luminance(one), relative_luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)
