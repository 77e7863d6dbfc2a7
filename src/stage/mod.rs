//! Renders labelled clips of invented scenes with exact truth.
