"""What moves while a job runs."""
