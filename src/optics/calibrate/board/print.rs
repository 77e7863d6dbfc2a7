//! Prints a board.
