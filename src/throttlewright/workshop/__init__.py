"""Workshop: one function for each thing a person does; both doors call these and nothing below."""
