"""Figures drawn once and used twice: in the customer's PDF and, as SVG, on the screens."""
