"""Volumes: whole tenths of a µl inside, µl for people. Nothing is ever rounded silently."""

from decimal import Decimal, InvalidOperation


def tenths_from_ul(volume_ul: Decimal | str) -> int:
    """Return whole tenths of a µl.

    Parameters
    ----------
    volume_ul : Decimal or text with comma or point. Volume. [µl]

    Raises
    ------
    ValueError
        Not a number, negative, or finer than 0.1 µl.
    """
    if isinstance(volume_ul, str):
        try:
            volume_ul = Decimal(volume_ul.strip().replace(",", "."))
        except InvalidOperation:
            raise ValueError(f"“{volume_ul}” is no volume. Enter for example 8.5.") from None
    if not volume_ul.is_finite():
        raise ValueError(f"“{volume_ul}” is no volume. Enter for example 8.5.")
    if volume_ul < 0:
        raise ValueError(f"{volume_ul} µl is less than nothing. Enter 0 or more.")
    tenths = volume_ul * 10
    if tenths != tenths.to_integral_value():
        raise ValueError(f"{volume_ul} µl is finer than 0.1 µl. Enter one decimal, for example 8.5.")
    return int(tenths)


def ul_from_tenths(volume_tenths: int) -> Decimal:
    """Return µl with one decimal, exactly: 85 gives 8.5."""
    return Decimal(volume_tenths).scaleb(-1)
