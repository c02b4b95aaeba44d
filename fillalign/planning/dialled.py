"""Settings as somebody dials them: checked and read back in `fillalign.venue`."""

from fillalign.venue import check_dialled, saved_settings

__all__ = ["check_dialled", "saved_settings"]
