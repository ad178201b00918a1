"""Levels of confidence, of error and of power are fractions between 0 and 1; 95 is not 95 %. Plain Python."""


def check_level(name: str, value: float) -> None:
    """Raise ValueError unless `value` lies between 0 and 1; nan and percent are refused too."""
    if not 0 < value < 1:
        raise ValueError(f"{name} {value}: it must lie between 0 and 1.")
