//! Panels pressed and read without a window.
