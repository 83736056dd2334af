"""From a job to a case, and care for the whole: how well retrieval works, what it can be tuned to."""
