//! A board to print, as SVG or PDF, with a bar to check the printer by.

use std::fmt::Write;

use super::BoardSize;

/// Sheets of paper, as they lie (landscape).
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Paper {
    /// 297 × 210 mm.
    A4,
    /// 420 × 297 mm.
    A3,
    /// 594 × 420 mm.
    A2,
    /// 841 × 594 mm.
    A1,
    /// 279.4 × 215.9 mm.
    Letter,
}

impl Paper {
    /// Width and height in millimetres.
    pub fn size_mm(self) -> (f64, f64) {
        match self {
            Paper::A4 => (297.0, 210.0),
            Paper::A3 => (420.0, 297.0),
            Paper::A2 => (594.0, 420.0),
            Paper::A1 => (841.0, 594.0),
            Paper::Letter => (279.4, 215.9),
        }
    }
}

/// A board laid out on a sheet; all measures in millimetres from the sheet's
/// upper left corner.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// Sheet width and height.
    pub size_mm: (f64, f64),
    /// Black rectangles: left, top, width, height.
    pub black_mm: Vec<[f64; 4]>,
    /// Lines of text: left end, base line, words.
    pub text: Vec<(f64, f64, String)>,
}

/// Printers leave at least this much white at the edge.
const EDGE_MM: f64 = 5.0;
/// White round the squares, so that the outer ones have an edge.
const WHITE_MM: f64 = 6.0;
/// Room for bar and words below the squares.
const FOOT_MM: f64 = 9.0;
/// Length of the bar.
pub const BAR_MM: f64 = 100.0;

impl Sheet {
    /// Lays a board out.
    ///
    /// # Errors
    /// It does not fit; says which square or paper would.
    pub fn new(board: BoardSize, square_mm: f64, paper: Paper) -> Result<Sheet, String> {
        let (columns, rows) = (board.columns + 1, board.rows + 1);
        let (w, h) = paper.size_mm();
        let room = (w - 2.0 * WHITE_MM, h - 2.0 * WHITE_MM - FOOT_MM);
        let largest = (room.0 / f64::from(columns)).min(room.1 / f64::from(rows));
        if !(square_mm.is_finite() && square_mm >= 2.0) {
            return Err(format!(
                "--square-mm {square_mm} is too small; a camera needs 10 mm or more"
            ));
        }
        if square_mm > largest {
            return Err(format!(
                "a {board} board of {square_mm} mm squares does not fit on the paper; \
                 take squares of at most {:.0} mm or a larger --paper",
                largest.floor()
            ));
        }
        let left = 0.5 * (w - square_mm * f64::from(columns));
        let top = WHITE_MM.max(0.5 * (h - FOOT_MM - square_mm * f64::from(rows)));
        let mut black_mm = Vec::new();
        for j in 0..rows {
            for i in (j % 2..columns).step_by(2) {
                black_mm.push([
                    left + square_mm * f64::from(i),
                    top + square_mm * f64::from(j),
                    square_mm,
                    square_mm,
                ]);
            }
        }
        // A bar with upright ends: what is measured is end to end.
        let foot = h - EDGE_MM - 4.0;
        let bar_left = left;
        black_mm.push([bar_left, foot, BAR_MM, 0.4]);
        black_mm.push([bar_left, foot - 2.0, 0.4, 4.4]);
        black_mm.push([bar_left + BAR_MM - 0.4, foot - 2.0, 0.4, 4.4]);
        let words = format!(
            "The bar must measure {BAR_MM:.0} mm end to end: print at 100 %. {board}, squares {square_mm} mm. Glue it flat."
        );
        let text = vec![(bar_left + BAR_MM + 3.0, foot + 1.2, words)];
        Ok(Sheet {
            size_mm: (w, h),
            black_mm,
            text,
        })
    }

    /// The sheet as SVG.
    pub fn svg(&self) -> String {
        let (w, h) = self.size_mm;
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\" shape-rendering=\"crispEdges\">\n\
             <rect width=\"{w}\" height=\"{h}\" fill=\"#fff\"/>\n"
        );
        for [x, y, a, b] in &self.black_mm {
            let _ = writeln!(
                out,
                "<rect x=\"{x:.4}\" y=\"{y:.4}\" width=\"{a}\" height=\"{b}\" fill=\"#000\"/>"
            );
        }
        for (x, y, words) in &self.text {
            let _ = writeln!(
                out,
                "<text x=\"{x:.3}\" y=\"{y:.3}\" font-family=\"Helvetica,Arial,sans-serif\" font-size=\"3\">{words}</text>"
            );
        }
        out.push_str("</svg>\n");
        out
    }

    /// The sheet as a one-page PDF (ISO 32000-1), in its true size.
    pub fn pdf(&self) -> Vec<u8> {
        let points = |mm: f64| mm * 72.0 / 25.4;
        let (w, h) = (points(self.size_mm.0), points(self.size_mm.1));
        let mut page = String::from("0 g\n");
        for [x, y, a, b] in &self.black_mm {
            let bottom = points(self.size_mm.1 - y - b);
            let _ = writeln!(
                page,
                "{:.4} {bottom:.4} {:.4} {:.4} re f",
                points(*x),
                points(*a),
                points(*b)
            );
        }
        for (x, y, words) in &self.text {
            let _ = writeln!(
                page,
                "BT /F1 8.5 Tf {:.3} {:.3} Td ({words}) Tj ET",
                points(*x),
                points(self.size_mm.1 - y)
            );
        }
        let objects = [
            "<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>"
                .to_owned(),
            "<< /Type /Pages /Kids [3 0 R] /Count 1 >>".to_owned(),
            format!(
                "<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {w:.4} {h:.4}] /Contents 4 0 R \
                 /Resources << /Font << /F1 5 0 R >> >> >>"
            ),
            format!("<< /Length {} >>\nstream\n{page}endstream", page.len()),
            "<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>".to_owned(),
        ];
        let mut out = String::from("%PDF-1.4\n");
        let mut places = Vec::new();
        for (i, object) in objects.iter().enumerate() {
            places.push(out.len());
            let _ = write!(out, "{} 0 obj\n{object}\nendobj\n", i + 1);
        }
        let table = out.len();
        let _ = write!(out, "xref\n0 {}\n0000000000 65535 f \n", objects.len() + 1);
        for place in places {
            let _ = writeln!(out, "{place:010} 00000 n ");
        }
        let _ = write!(
            out,
            "trailer\n<< /Size {} /Root 1 0 R >>\nstartxref\n{table}\n%%EOF\n",
            objects.len() + 1
        );
        out.into_bytes()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BOARD: BoardSize = BoardSize {
        columns: 9,
        rows: 6,
    };

    #[test]
    fn squares_have_their_size_and_stay_on_the_paper() {
        let sheet = Sheet::new(BOARD, 25.0, Paper::A4).unwrap();
        // 10 x 7 squares, half of them black, and three strokes of the bar.
        assert_eq!(sheet.black_mm.len(), 35 + 3);
        for [x, y, w, h] in &sheet.black_mm {
            assert!(*x >= EDGE_MM && *y >= EDGE_MM);
            assert!(x + w <= 297.0 - EDGE_MM && y + h <= 210.0 - EDGE_MM + 0.5);
        }
        assert!(sheet.black_mm[..35]
            .iter()
            .all(|r| r[2] == 25.0 && r[3] == 25.0));
        assert_eq!(sheet.black_mm[35][2], 100.0);
        let lowest = sheet.black_mm[..35]
            .iter()
            .map(|r| r[1] + r[3])
            .fold(0.0, f64::max);
        assert!(
            lowest < sheet.black_mm[36][1],
            "the bar stands clear of the squares"
        );
    }

    #[test]
    fn what_does_not_fit_says_what_would() {
        // Of A4's 210 mm (ISO 216), 6 mm of white above and below and 9 mm at the
        // foot leave 189 mm for 7 squares.
        let why = Sheet::new(BOARD, 40.0, Paper::A4).unwrap_err();
        assert!(why.contains("at most 27 mm"), "{why}");
        assert!(Sheet::new(BOARD, 27.0, Paper::A4).is_ok());
        assert!(Sheet::new(BOARD, 27.1, Paper::A4).is_err());
        assert!(Sheet::new(BOARD, 40.0, Paper::A2).is_ok());
        assert!(Sheet::new(BOARD, f64::NAN, Paper::A4).is_err());
    }

    #[test]
    fn pdf_holds_together() {
        let pdf = Sheet::new(BOARD, 25.0, Paper::A4).unwrap().pdf();
        let text = String::from_utf8(pdf).unwrap();
        // The table of places points at the objects (ISO 32000-1, 7.5.4).
        let table: usize = text
            .rsplit("startxref\n")
            .next()
            .and_then(|t| t.lines().next())
            .unwrap()
            .parse()
            .unwrap();
        assert!(text[table..].starts_with("xref\n0 6\n"));
        for (n, line) in text[table..].lines().skip(3).take(5).enumerate() {
            let place: usize = line[..10].parse().unwrap();
            assert!(text[place..].starts_with(&format!("{} 0 obj", n + 1)));
        }
        // A4 in points.
        assert!(text.contains("/MediaBox [0 0 841.8898 595.2756]"));
    }
}
