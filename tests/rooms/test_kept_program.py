"""What one program kept is not taken for another's."""

from pathlib import Path

import pytest

import trendkit
from trendkit.archive.kept import program_sign


def test_a_program_changed_under_the_same_version_has_another_sign(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page kept before a formula was corrected must not come back after it."""
    module = tmp_path / "press" / "dose.py"
    module.parent.mkdir()
    monkeypatch.setattr(trendkit, "__file__", str(tmp_path / "__init__.py"))
    signs = []
    for formula in ("kg / t", "kg / t", "kg / dry_t"):
        module.write_text(formula, encoding="utf-8")
        program_sign.cache_clear()
        signs.append(program_sign())
    monkeypatch.undo()
    program_sign.cache_clear()
    assert signs[0] == signs[1] != signs[2]
