#include "show/csv.hpp"

#include <fmt/format.h>

#include <cmath>
#include <iterator>

#include "show/beat_rows.hpp"

namespace pipebeat::show {

std::string to_csv(const Report& report) {
  std::string out = "time_s,cycle,position,level,missing_probability\n";
  const auto to = std::back_inserter(out);
  for (const Event& e : shown_events(report.finding)) {
    // What is not finite stays empty: no spreadsheet reads "nan" as a number.
    const auto field = [&](float value, int decimals) {
      if (std::isfinite(value)) fmt::format_to(to, "{:.{}f}", value, decimals);
    };
    field(e.time_s, 4);
    fmt::format_to(to, ",{},{},", e.cycle, e.position);
    field(e.level, 3);
    out += ',';
    if (report.finding.verdict != Verdict::unclear) field(e.missing_probability, 4);
    out += '\n';
  }
  return out;
}

}  // namespace pipebeat::show
