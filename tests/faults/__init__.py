"""What happens to reminders when a process, the broker, the database, the mail server or the disk fails."""
