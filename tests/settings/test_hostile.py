"""Whatever stands in the file, the answer is settings or complaints."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from monitor.settings.check import check
from monitor.settings.complaints import Complaint, SettingsMistakes, toml
from monitor.settings.read import read
from monitor.settings.table import rows

_KEYS = sorted({row.key[-1] for row in rows().values()})
_keys = st.one_of(st.sampled_from(_KEYS), st.text("abcdefghij_-", min_size=1, max_size=8))
_plain = st.one_of(
    st.booleans(),
    st.integers(-(2**63), 2**63 - 1),
    st.floats(allow_nan=True, allow_infinity=True),
    st.text(st.characters(blacklist_categories=["Cs", "Cc"]), max_size=20),
    st.sampled_from(
        ["12 ft", "95 degF", "30 s", "layer", "temperature", "room", "on/off", "mqtt:a", "R-5", "20 ppm", "UTC", "75 %"]
    ),
    st.dates(),
    st.datetimes(),
)
_values: Any = st.recursive(
    _plain,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(_keys, inner, max_size=4)),
    max_leaves=12,
)
_TABLES = [row for row in rows().values() if row.kind is None]


@st.composite
def settings_texts(draw: Any) -> str:
    """Headers of real tables and of none, with real and random keys and all kinds of values."""
    lines = ['[site]\nname = "x"\ntimezone = "UTC"'] if draw(st.booleans()) else []
    used: set[str] = {"[site]"} if lines else set()
    for _ in range(draw(st.integers(0, 6))):
        row = draw(st.sampled_from(_TABLES))
        header = f"[[{row.dotted}]]" if row.is_array else f"[{row.dotted}]"
        if header in used and not row.is_array:
            continue
        used.add(header)
        inside = [one.key[-1] for one in rows().values() if one.key[:-1] == row.key and one.kind is not None]
        names = draw(st.lists(st.one_of(st.sampled_from(inside), _keys) if inside else _keys, max_size=6, unique=True))
        lines.append(header)
        for name in names:
            right = rows().get((*row.key, name))
            example = right is not None and right.example is not None and draw(st.booleans())
            lines.append(f"{name} = {toml(right.example if example and right else draw(_values))}")
    return "\n".join(lines) + "\n"


def _complaints(path: Path, environ: dict[str, str]) -> tuple[Complaint, ...]:
    """What is wrong; nothing when the settings can be used."""
    try:
        read(str(path), environ)
    except SettingsMistakes as mistakes:
        return mistakes.complaints
    return ()


def _is_whole(complaint: Complaint) -> bool:
    parts = (complaint.place, complaint.got, complaint.expected, complaint.write)
    return all(parts) and len(str(complaint)) < 3000


@given(settings_texts())
def test_any_settings_give_an_answer(tmp_path: Path, text: str) -> None:
    """Random keys and values in real tables: settings or complaints, never a traceback."""
    path = tmp_path / "barn.toml"
    path.write_text(text, encoding="utf-8")
    found = _complaints(path, {})
    assert all(map(_is_whole, found))
    assert check(str(path), environ={})[1] in ((2,) if found else (0, 2))


@given(st.binary(max_size=200))
def test_any_bytes_give_an_answer(tmp_path: Path, content: bytes) -> None:
    """A picture saved as warmstraw.toml is told so."""
    path = tmp_path / "barn.toml"
    path.write_bytes(content)
    assert all(map(_is_whole, _complaints(path, {})))


@given(
    st.dictionaries(
        st.sampled_from([row.variable for row in rows().values() if row.variable]),
        st.text(st.characters(blacklist_characters="\x00", blacklist_categories=["Cs"]), max_size=30),
        max_size=6,
    )
)
def test_any_environment_gives_an_answer(tmp_path: Path, environ: dict[str, str]) -> None:
    """Random text in every variable: settings or complaints."""
    path = tmp_path / "barn.toml"
    path.write_text('[site]\nname = "x"\ntimezone = "UTC"\n', encoding="utf-8")
    assert all(map(_is_whole, _complaints(path, environ)))
