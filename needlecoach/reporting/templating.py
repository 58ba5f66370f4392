"""The one way in which pages are filled in: what people typed is escaped, what is not given is an error."""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined, Template, select_autoescape


def template(name: str, *, within: str = "", folder: str = "templates") -> Template:
    """Return a template of this room, ready to be rendered; `within` names the package below it."""
    environment = Environment(
        loader=PackageLoader(".".join(filter(None, ("needlecoach.reporting", within))), folder),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)
