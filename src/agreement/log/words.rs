//! What was taken for what, in sentences for people.

use super::LogFile;

impl LogFile {
    /// Columns, units, times and rows, in words.
    #[must_use]
    pub fn in_words(&self) -> Vec<String> {
        let delimiter = match self.delimiter {
            ',' => "commas",
            ';' => "semicolons",
            _ => "tabs",
        };
        let date = match &self.date_column {
            Some(date) => format!(" with date “{date}”"),
            None => String::new(),
        };
        let lane = match &self.lane_column {
            Some(lane) => format!("; lane “{lane}”"),
            None => String::new(),
        };
        let mut words = vec![
            format!(
                "{}: {}, cells separated by {delimiter}, column names in line {}",
                self.path.display(),
                self.encoding,
                self.head_line
            ),
            format!(
                "time “{}”{date}: {}; mass “{}”: {}, {}, decimal {}{lane}",
                self.time_column,
                self.time_form,
                self.mass_column,
                self.unit,
                self.unit_from,
                if self.decimal_mark == ',' {
                    "comma"
                } else {
                    "point"
                },
            ),
        ];
        let mut parts = vec![format!("{} rows, {} used", self.rows, self.used)];
        let mut add = |count: usize, what: &str| {
            if count > 0 {
                parts.push(format!("{count} {what}"));
            }
        };
        add(self.outside, "before or after the scans");
        add(self.repeated, "repeated");
        add(self.empty_scale, "with a mass of zero or less");
        add(self.cut_off, "cut off");
        add(self.out_of_order, "out of order (sorted)");
        add(
            self.hour_twice,
            "in the hour that came twice (taken in the order of rows)",
        );
        let example = |count: usize, what: &str, example: &Option<(usize, String)>| {
            example
                .as_ref()
                .map(|(row, cell)| format!("{count} {what} (row {row}: “{cell}”)"))
        };
        parts.extend(example(
            self.no_mass,
            "without a number for the mass",
            &self.no_mass_example,
        ));
        parts.extend(example(
            self.no_time,
            "without a readable time",
            &self.no_time_example,
        ));
        words.push(parts.join(", "));
        if let Some((first, last)) = self.span {
            words.push(format!(
                "from {} to {} UTC",
                first.strftime("%Y-%m-%d %H:%M:%S"),
                last.strftime("%Y-%m-%d %H:%M:%S")
            ));
        }
        words
    }
}
