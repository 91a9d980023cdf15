"""`python -m nightrake.plant`."""

from nightrake.plant.main import main

raise SystemExit(main())
