"""Pages: one module each, with a ``router``, a template of the same name, and ``NAV`` if it stands in the menu."""
