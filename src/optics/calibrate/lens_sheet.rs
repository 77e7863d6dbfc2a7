//! The sheet of a lens calibration: one HTML file, nothing fetched from elsewhere.

use std::fmt::Write;

use super::lens_fit::LensFit;

/// Cells of the coverage map.
pub const COVERAGE: (usize, usize) = (8, 6);

/// Arrows are drawn this many times longer than the residuals.
fn magnification(fit: &LensFit) -> f64 {
    let wanted = f64::from(fit.lens.width) * 0.02 / fit.rms_px.max(1e-3);
    [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0]
        .into_iter()
        .min_by(|a, b| (a / wanted).ln().abs().total_cmp(&(b / wanted).ln().abs()))
        .unwrap_or(1.0)
}

/// The sheet as HTML.
pub fn html(fit: &LensFit) -> String {
    let mut out = String::from(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>Lens calibration</title>\n\
         <style>body{font:15px/1.45 sans-serif;margin:2em auto;padding:0 1em;max-width:62em;color:#222}\
         svg{box-sizing:border-box;width:100%;height:auto;border:1px solid #999;background:#fff}\
         table{border-collapse:collapse}td,th{padding:.15em .8em;border-bottom:1px solid #ddd;text-align:right}\
         td:first-child,th:first-child{text-align:left}.out{color:#9b2423}</style></head><body>\n",
    );
    let used = fit.views.iter().filter(|v| v.left_out.is_none()).count();
    let _ = write!(
        out,
        "<h1>Lens calibration</h1>\n<p>{used} of {} pictures used, total RMS {:.3} px.</p>\n",
        fit.views.len(),
        fit.rms_px
    );
    arrows(&mut out, fit);
    coverage(&mut out, fit);
    parameters(&mut out, fit);
    pictures(&mut out, fit);
    out.push_str("</body></html>\n");
    out
}

fn arrows(out: &mut String, fit: &LensFit) {
    let (w, h) = (fit.lens.width, fit.lens.height);
    let times = magnification(fit);
    let _ = write!(
        out,
        "<h2>Residuals, {times} times enlarged</h2>\n\
         <p>From where the lens expects a corner toward where it was seen. They should point every way alike; \
         a pattern means that the model does not suit the lens, or that a board was bent.</p>\n\
         <svg viewBox=\"-0.5 -0.5 {w} {h}\"><defs><marker id=\"a\" viewBox=\"0 0 6 6\" refX=\"5\" refY=\"3\" \
         markerWidth=\"4\" markerHeight=\"4\" orient=\"auto\"><path d=\"M0 0L6 3L0 6z\" fill=\"#1a5fb4\"/></marker></defs>\n"
    );
    let stroke = f64::from(w) / 800.0;
    for view in &fit.views {
        for ((_, seen), (du, dv)) in view.view.points.iter().zip(&view.residuals_px) {
            let (u, v) = (seen.u - du, seen.v - dv);
            let _ = writeln!(
                out,
                "<path d=\"M{u:.1} {v:.1}l{:.1} {:.1}\" stroke=\"#1a5fb4\" stroke-width=\"{stroke:.2}\" marker-end=\"url(#a)\"/>",
                du * times,
                dv * times
            );
        }
    }
    out.push_str("</svg>\n");
}

fn coverage(out: &mut String, fit: &LensFit) {
    let (columns, rows) = COVERAGE;
    let counts = fit.coverage(columns, rows);
    let (w, h) = (f64::from(fit.lens.width), f64::from(fit.lens.height));
    let (cw, ch) = (w / columns as f64, h / rows as f64);
    let most = counts.iter().copied().max().unwrap_or(1).max(1) as f64;
    let _ = write!(
        out,
        "<h2>Coverage</h2>\n<p>Corners seen in each part of the picture. Where there are none the lens is a guess.</p>\n\
         <svg viewBox=\"0 0 {w} {h}\" style=\"max-width:32em\">\n"
    );
    for (n, &count) in counts.iter().enumerate() {
        let (x, y) = ((n % columns) as f64 * cw, (n / columns) as f64 * ch);
        let fill = if count == 0 {
            "#f6d5d0".to_owned()
        } else {
            format!("rgba(26,95,180,{:.2})", 0.12 + 0.6 * count as f64 / most)
        };
        let size = 0.3 * ch;
        let _ = writeln!(
            out,
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{cw:.1}\" height=\"{ch:.1}\" fill=\"{fill}\" stroke=\"#fff\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" font-size=\"{size:.1}\" text-anchor=\"middle\">{count}</text>",
            x + 0.5 * cw,
            y + 0.5 * ch + 0.35 * size
        );
    }
    out.push_str("</svg>\n");
}

fn parameters(out: &mut String, fit: &LensFit) {
    out.push_str("<h2>Parameters</h2>\n<table><tr><th>name</th><th>value</th><th>standard deviation</th></tr>\n");
    let names = fit.model.parameter_names();
    for ((name, value), sd) in names.iter().zip(&fit.values).zip(&fit.sd) {
        let _ = writeln!(
            out,
            "<tr><td>{name}</td><td>{value:.6}</td><td>{sd:.6}</td></tr>"
        );
    }
    out.push_str("</table>\n");
}

fn pictures(out: &mut String, fit: &LensFit) {
    out.push_str(
        "<h2>Pictures</h2>\n<table><tr><th>picture</th><th>corners</th><th>RMS px</th><th></th></tr>\n",
    );
    for v in &fit.views {
        let (class, why) = match &v.left_out {
            Some(why) => (" class=\"out\"", format!("left out: {}", escaped(why))),
            None => ("", String::new()),
        };
        let _ = writeln!(
            out,
            "<tr{class}><td>{}</td><td>{}</td><td>{:.3}</td><td>{why}</td></tr>",
            escaped(&v.view.name),
            v.view.points.len(),
            v.rms_px
        );
    }
    out.push_str("</table>\n");
}

/// Text that may hold anything, as HTML text.
pub(super) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}
