from keymapper.mapping.doubting import sorted_doubts
from keymapper.model.instrument import Doubt


def test_the_gravest_doubts_come_first_and_each_once():
    clipped = Doubt(file="a.wav", about="level", message="clipped")
    loop = Doubt(file="b.wav", about="loop", message="its loop may be heard")
    unsure = Doubt(file="c.wav", about="pitch", message="named 60 but sounds otherwise")
    assert sorted_doubts([clipped, loop, clipped, unsure]) == (unsure, loop, clipped)
