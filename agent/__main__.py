"""`python -m agent`: the same as the command `sumpside`."""

from agent.cli import main

if __name__ == "__main__":
    main()
