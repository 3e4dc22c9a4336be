"""A visit's report: what the journal says, as a letter to the customer and as pages for the next professional."""
