"""The HTTP API beside the pages: it translates; rules are the services', rights are access's."""
