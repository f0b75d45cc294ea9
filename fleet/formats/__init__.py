"""How dates and times are written, by language, where Django's own form can be misread."""
