"""The local page: it reads the journal, writes only requests and pictures, and never decides."""
