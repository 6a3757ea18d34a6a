"""What people write (figures with units, lines of words, tables) as machines, or asked back; nothing is guessed."""
