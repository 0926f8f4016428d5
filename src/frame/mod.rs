//! One frame: its pixels and what a first look at them tells.
