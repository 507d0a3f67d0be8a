from __future__ import annotations

import pytest

from keymapper.errors import OutputError
from keymapper.formats.sfz import SfzDocument, SfzHeader, write_sfz


def document(*opcodes: tuple[str, str]) -> SfzDocument:
    return SfzDocument(headers=(SfzHeader(name="region", opcodes=opcodes),))


def test_headers_and_opcodes_stand_one_a_line() -> None:
    text = write_sfz(
        SfzDocument(
            headers=(
                SfzHeader(name="global", opcodes=(("ampeg_release", "0.25"),)),
                SfzHeader(
                    name="region", opcodes=(("sample", "samples/pad C4.wav"), ("tune", "-3"))
                ),
            )
        )
    )
    assert text == (
        "<global>\nampeg_release=0.25\n\n<region>\nsample=samples/pad C4.wav\ntune=-3\n"
    )


@pytest.mark.parametrize(
    "value",
    [
        "",
        " a",
        "a ",
        "a\nb",
        "a\tb",
        "a$b",
        "a=b",
        "a<b",
        "a>b",
        "a//b",
        "a/*b",
        "x #define",
        "\x00",
    ],
)
def test_values_a_player_would_misread_are_refused(value: str) -> None:
    with pytest.raises(OutputError, match="cannot carry the value"):
        write_sfz(document(("sample", value)))


@pytest.mark.parametrize("name", ["", "Sample", "a b", "a=", "1x", "$a"])
def test_odd_opcode_names_are_refused(name: str) -> None:
    with pytest.raises(OutputError, match="as an SFZ opcode"):
        write_sfz(document((name, "1")))


def test_odd_header_names_are_refused() -> None:
    with pytest.raises(OutputError, match="as an SFZ header"):
        write_sfz(SfzDocument(headers=(SfzHeader(name="re>gion"),)))
