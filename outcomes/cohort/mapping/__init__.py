"""Records in any practice's own layout: how they are read, proposed, asked, confirmed and kept.

``spec`` is the small file that says how; ``parts``, ``values`` and ``join`` bring the records into
the schema's columns by it; ``propose`` guesses one and lists what has to be asked; ``words`` reads
records back in sentences.
"""
