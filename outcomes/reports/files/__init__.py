"""Tables, documents and slides as files."""
