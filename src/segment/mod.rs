//! What in the picture is not ground: appearance, ground motion, structure.
