"""The script below belongs to the Python of the desktop GIS."""

collect_ignore = ["run_in_project.py"]
