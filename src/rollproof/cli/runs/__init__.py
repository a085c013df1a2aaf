"""What runs a job and shows it: loaded only when the command is asked for."""
