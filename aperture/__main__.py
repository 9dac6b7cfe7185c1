"""What the command aperture and python -m aperture run."""

from typing import NoReturn

from aperture.collecting import collect_rarely


def main() -> NoReturn:
    """The command line, imported only once Python was told not to search what is imported for garbage."""
    collect_rarely()
    from aperture.cli.app import main as command

    command()


if __name__ == "__main__":
    main()
