"""Steps from one form of the store to the next, in order; a step that was released is never changed."""
