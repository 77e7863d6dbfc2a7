//! Sound patterns, buzzer, banner and picture: the ends that speak.
