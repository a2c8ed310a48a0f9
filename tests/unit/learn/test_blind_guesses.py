"""What is concluded without a known byte is never called certain."""

import pytest

from tapewright.learn.conclusions import Conclusion
from tapewright.learn.guesses import guessed


@pytest.mark.parametrize(
    "what, before, after",
    [
        ("framing", "certain", "likely"),
        ("framing", "likely", "likely"),
        ("check", "open", "open"),
        ("bit order", "certain", "open"),
        ("data coding", "likely", "open"),
    ],
)
def test_a_guess_is_likely_at_most_and_open_where_bits_alone_cannot_tell(what, before, after):
    one = Conclusion(what, "something", before, "Because of something.", ("something else",))
    (told,) = guessed([one])
    assert told.certainty == after
    assert (told.what, told.says, told.rivals) == (one.what, one.says, one.rivals)
