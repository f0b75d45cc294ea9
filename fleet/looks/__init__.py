"""The looks that all pages share.

Style sheets and modules are in `static/looks`, pages to extend and parts to include in `templates/looks`, what needs
more than an include in `templatetags/looks.py`; here is what they are given. `/looks/` shows everything in use.
"""
