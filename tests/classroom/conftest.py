"""What every test of the classroom begins with."""

import pytest

from fillalign.classroom.widgets import size


@pytest.fixture(autouse=True)
def _no_panel_of_another_test():
    # The size switch draws every panel of its kernel anew.
    size.followers.clear()
    size.calls.clear()
    size.box.value = False
