"""A folder of many takes, checked unattended: finding, running, remembering, and the day's page."""
