"""``python -m triage`` is ``callout``."""

from triage.cli import main

if __name__ == "__main__":
    main()
