"""`python -m nightrake.cli`: the same as the `nightrake` command, quiet about a Ctrl-C that comes while it loads."""

import signal
import sys

if __name__ == "__main__":
    try:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})  # deploy/demo starts it blocked
        from nightrake.cli.main import main

        main()
    except KeyboardInterrupt:
        print("nightrake: stopped by Ctrl-C.", file=sys.stderr)
        sys.exit(130)
