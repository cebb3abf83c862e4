"""``python -m skidhand.cli`` is ``skidhand``: how the supervisor starts its services."""

from skidhand.cli.main import main

main()
