"""A strategy of one's own in Python, accepted wherever a strategy file is.

A rule is a function from what is known now (:class:`~loadlearn.policy.strategy.Now`) to
:class:`~loadlearn.policy.strategy.Settings`, called once a second. In ``rules.py``::

    from loadlearn import Now, Settings

    def keep_on_climbs(now: Now) -> Settings:
        heavy = now.mass_kg + 2.0 * now.mass_sd_kg > 4500.0
        if heavy and now.grade_percent > 3.0:
            return Settings(power_retention=0.8, full_share_time_s=20.0, economy=0.0)
        return Settings(power_retention=0.1, full_share_time_s=20.0, economy=0.5)

Named as ``rules.py:keep_on_climbs``. The protections act on whatever it asks for. It should keep
nothing between calls: one rule serves many drives, and several processes at once.
"""

from __future__ import annotations

import inspect
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

from loadlearn.errors import InputError
from loadlearn.policy.strategy import LARGEST, Now, Settings


class OwnRule:
    """A rule of one's own: called as the function is, and what it gives is checked.

    Parameters
    ----------
    path : Path
        The Python file.
    name : str
        The function's.
    function : callable
        From :class:`Now` to :class:`Settings`.
    """

    def __init__(self, path: Path, name: str, function: Callable[[Now], Any]) -> None:
        self.path, self.name, self._function = path, name, function

    def __call__(self, now: Now) -> Settings:
        """Settings for what is known now.

        Parameters
        ----------
        now : Now

        Raises
        ------
        InputError
            The rule failed, or gave something else than settings within their bounds.
        """
        try:
            given = self._function(now)
        except Exception as error:
            raise InputError(
                f"{self}{_line_of(error, self.path)}: the rule fails with "
                f"{type(error).__name__}: {error} (at {now}); mend it"
            ) from error
        if not isinstance(given, Settings):
            raise InputError(
                f"{self}: the rule gave {given!r}; return Settings(power_retention=..., "
                "full_share_time_s=..., economy=...) from loadlearn.policy.strategy"
            )
        for key, value in given._asdict().items():
            number = isinstance(value, int | float) or hasattr(value, "__float__")
            if not number or not 0.0 <= float(value) <= LARGEST[key]:
                raise InputError(
                    f"{self}: the rule gave {key} = {value!r} (at {now}); return a number from 0 "
                    f"to {LARGEST[key]:g}"
                )
        return Settings(*map(float, given))

    def __str__(self) -> str:
        return f"{self.path}:{self.name}"

    def __reduce__(self) -> tuple[Any, ...]:
        """Other processes load the file anew: functions of a loaded file cannot be sent."""
        return load_rule, (str(self),)


def is_rule(spec: str) -> bool:
    """Whether a name means a rule in Python.

    Parameters
    ----------
    spec : str
        ``rules.py`` or ``rules.py:function``.
    """
    return spec.lower().endswith(".py") or ".py:" in spec.lower()


def load_rule(spec: str) -> OwnRule:
    """Execute a Python file of the user's and take a rule from it.

    Only the named file is executed, as ``python rules.py`` would but for its name; it can do
    whatever its user can.

    Parameters
    ----------
    spec : str
        ``rules.py:function``, or ``rules.py`` when it holds a single function.

    Raises
    ------
    InputError
        There is no such file or function, the file fails, it holds several functions and none was
        named, or the function does not take one argument.
    """
    cut = spec.lower().rfind(".py:")
    path, name = (Path(spec[: cut + 3]), spec[cut + 4 :]) if cut >= 0 else (Path(spec), "")
    module = _execute(path)
    own = [
        key
        for key, value in vars(module).items()
        if inspect.isfunction(value)
        and value.__module__ == module.__name__
        and not key.startswith("_")
    ]
    if not name:
        if len(own) != 1:
            held = f"{len(own)} functions ({', '.join(own)})" if own else "no function"
            raise InputError(f"{path}: holds {held}; name the rule as {path}:function")
        name = own[0]
    function = getattr(module, name, None)
    if not callable(function):
        known = f"it holds {', '.join(own)}" if own else "it holds none"
        raise InputError(f"{path}: no function '{name}'; {known}")
    try:
        inspect.signature(function).bind(None)
    except TypeError:
        raise InputError(
            f"{path}:{name}: takes other arguments than one; write it as def {name}(now)"
        ) from None
    except ValueError:  # a callable that does not tell its arguments
        pass
    return OwnRule(path, name, function)


def _execute(path: Path) -> ModuleType:
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"{path}: no such Python file; check the path") from None
    except OSError as error:
        raise InputError(f"{path}: the Python file cannot be read ({error})") from None
    module = ModuleType(f"_own_rule_{abs(hash(path.absolute().as_posix()))}")
    module.__file__ = str(path)
    sys.modules[module.__name__] = module  # where dataclasses look for the names in annotations
    try:
        exec(compile(text, str(path), "exec"), vars(module))
    except SyntaxError as error:
        raise InputError(
            f"{path}, line {error.lineno}: not valid Python ({error.msg}); mend that line"
        ) from None
    except Exception as error:
        raise InputError(
            f"{path}{_line_of(error, path)}: fails when it is read, with "
            f"{type(error).__name__}: {error}; mend it"
        ) from error
    return module


def _line_of(error: Exception, path: Path) -> str:
    """Last line of the user's file that the error came through."""
    lines = [
        frame.lineno
        for frame in traceback.extract_tb(error.__traceback__)
        if frame.filename == str(path)
    ]
    return f", line {lines[-1]}" if lines else ""
