"""Messages to people who are not there: a process of its own that reads the journal and writes nothing into it."""
