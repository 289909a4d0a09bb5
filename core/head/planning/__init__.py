"""One module for each kind of part, with the closed forms of its dimensions."""
