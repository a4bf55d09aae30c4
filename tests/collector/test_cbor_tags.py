"""Semantic tags are found without decoding. Encodings by hand from RFC 8949 and, where said, from its appendix A."""

from __future__ import annotations

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.cbor_tags import foreign_tag
from collector.packet import Reason, Refusal
from collector.senml_pack import resolve_pack
from tests.collector.test_senml import NOW


@pytest.mark.parametrize(
    ("encoded", "tag"),
    [
        ("c074323031332d30332d32315432303a30343a30305a", 0),  # appendix A: 0("2013-03-21T20:04:00Z")
        ("d74401020304", 23),  # appendix A: 23(h'01020304')
        ("d818456449455446", 24),  # appendix A: 24(h'6449455446')
        ("81a20065616e676c6502d823613f", 35),  # a regular expression inside an array and a map
        ("9fd9010280ff", 258),  # a set inside an array of indefinite length
        ("827f61616162ffd82300", 35),  # after a text of indefinite length
    ],
)
def test_a_tag_that_is_no_number_is_found_at_any_depth(encoded: str, tag: int) -> None:
    assert foreign_tag(bytes.fromhex(encoded)) == tag


@pytest.mark.parametrize(
    "encoded",
    [
        "c249010000000000000000",  # appendix A: 18446744073709551616
        "c48221196ab3",  # RFC 8949, section 3.4.4: the decimal fraction 273.15
        "c5822003",  # RFC 8949, section 3.4.4: the bigfloat 1.5
        "62d823",  # the bytes of a tag, but inside a text
        "fbd823d823d823d823",  # and inside a number
    ],
)
def test_numbers_and_the_insides_of_values_are_no_foreign_tags(encoded: str) -> None:
    assert foreign_tag(bytes.fromhex(encoded)) is None


def test_a_regular_expression_in_a_pack_is_refused_uncompiled() -> None:
    pattern = b"\xd8\x23" + cbor2.dumps("(")  # compiling it would fail with another sentence
    payload = b"\x81\xa2\x00\x65angle\x02" + pattern

    (refusal,) = resolve_pack(payload, NOW)

    assert isinstance(refusal, Refusal)
    assert refusal.reason is Reason.MALFORMED
    assert "semantic tag 35" in refusal.detail


@given(
    st.recursive(
        st.integers() | st.floats() | st.text() | st.binary(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    )
)
def test_values_without_tags_have_none(value: object) -> None:
    assert foreign_tag(cbor2.dumps(value)) is None
