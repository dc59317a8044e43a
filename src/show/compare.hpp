// Before against after: comparison in, characters out.
#pragma once

#include <string>
#include <vector>

#include "pipebeat/compare.hpp"
#include "show/report.hpp"
#include "show/text.hpp"
#include "show/words.hpp"

namespace pipebeat::show {

/// A comparison with the recordings it belongs to, at least one on each side.
struct CompareReport {
  const Comparison& comparison;
  std::vector<Report> before;
  std::vector<Report> after;
};

/// The answer in one sentence, without its full stop.
[[nodiscard]] std::string headline(const Comparison& comparison);

/// The figures that the comparison gives.
[[nodiscard]] std::vector<Figure> figures(const Comparison& comparison);

/// What to do next; never empty.
[[nodiscard]] std::vector<std::string> next_steps(const Comparison& comparison,
                                                  Place place = Place::terminal);

/// One JSON object on one line, schema pipebeat.compare/1. `before` and `after` are findings of
/// schema pipebeat.check/1, those of the first recording on each side.
[[nodiscard]] std::string to_json(const CompareReport& report);

/// Several lines: the answer, figures, positions side by side, reasons, what next, cautions.
[[nodiscard]] std::string to_text(const CompareReport& report, const TextOptions& options = {});

}  // namespace pipebeat::show
