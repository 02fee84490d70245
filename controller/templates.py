"""One way to fill a template: everything escaped, and a name that is missing is an error."""

from pathlib import Path
from typing import Any


def templates_in(folder: Path) -> Any:
    """The templates of ``folder`` as a jinja2 environment; ImportError where jinja2 is not installed."""
    import jinja2

    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
