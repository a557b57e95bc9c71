"""The consultation page, the client's sheet and the analyst's panel."""
