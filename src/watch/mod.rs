//! The loop, and the daemon around it.
