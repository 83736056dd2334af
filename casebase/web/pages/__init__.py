"""The pages, a module for each group. A module's `PAGES` maps "GET /path" to the function that answers."""
