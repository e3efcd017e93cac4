"""Records that are frozen where it is checked, and quick where it runs.

`record` is `dataclass(frozen=True, slots=True)` to the type checker, which refuses every assignment to a field;
`replace` is `dataclasses.replace`. At run time the freezing is left out: it makes a constructor seven times and a
replacement ten times slower, and the engine does little else. Nobody may change a record: states are shared.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dataclasses import dataclass as record
    from dataclasses import replace
else:
    from dataclasses import dataclass, fields
    from dataclasses import replace as replace_any
    from operator import attrgetter

    _values = {}  # by class: all its fields at once, in the order of its constructor

    def record(*, frozen, slots):
        """The decorator. Both words must be given and true: they say what the type checker holds the class to."""
        if not (frozen and slots):
            raise TypeError("a record is frozen and has slots")

        def made(cls):
            cls = dataclass(slots=True, unsafe_hash=True)(cls)
            names = [one.name for one in fields(cls)]
            first = attrgetter(*names)
            _values[cls] = first if len(names) > 1 else lambda instance: (first(instance),)
            return cls

        return made

    def replace(instance, /, **changes):
        """This record, or dataclass of another kind, with some fields changed."""
        cls = type(instance)
        values = _values.get(cls)
        if values is None:
            return replace_any(instance, **changes)
        new = cls(*values(instance))
        for name, value in changes.items():
            setattr(new, name, value)
        return new


__all__ = ["record", "replace"]
