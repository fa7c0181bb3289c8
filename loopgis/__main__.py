"""`python -m loopgis` is the command line."""

from loopgis.cli.main import run

if __name__ == "__main__":
    run()
