//! The shell of the pages that commands write: one file that needs nothing else,
//! light and dark, readable on a phone.

use serde_json::{json, Value};

use crate::profile::cautions::CAUTIONS;

/// A page whose `script` fills `#main` from `DATA`, with what `kit.js` offers;
/// `data` is an object.
///
/// # Errors
/// The data cannot be written as JSON.
pub fn page(title: &str, script: &str, mut data: Value) -> anyhow::Result<String> {
    data["cautions"] = json!(CAUTIONS);
    // The data stands in a script element: no `<` may end it early.
    let data = serde_json::to_string(&data)?.replace('<', "\\u003c");
    let script = format!("{}{script}", include_str!("kit.js"));
    Ok(include_str!("page.html")
        .replace("/*TITLE*/", title)
        .replace("/*STYLE*/", include_str!("page.css"))
        .replace("/*SCRIPT*/", &script)
        .replace("/*DATA*/", &data))
}
