#include "show/text.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <iterator>
#include <vector>

#include "show/beat_rows.hpp"
#include "show/paragraphs.hpp"
#include "show/words.hpp"

namespace pipebeat::show {

namespace {

std::string_view colour_of(Verdict v) {
  if (is_miss(v)) return "\x1b[1;31m";
  if (v == Verdict::even) return "\x1b[1;32m";
  return "\x1b[1;33m";
}

std::string engine_in_words(const Engine& engine) {
  const int all = engine.cylinders();
  const auto heard = static_cast<int>(engine.positions().size());
  std::string text = all == 1 ? "1 cylinder" : fmt::format("{} cylinders", all);
  if (engine.strokes() == 2) text += ", two-stroke";
  if (heard != all) text += fmt::format(", {} of them heard", heard);
  return text;
}

std::string position_bars(const Finding& f, int columns) {
  if (f.positions.empty()) return {};
  std::string out =
      '\n' +
      wrapped("  ",
              "Pulse strength by position, in firing order from an unknown cylinder:", columns);
  constexpr int figures = 25;
  const int bar_width = std::clamp(room_in_row(columns, figures), 6, 30);
  for (const PositionFinding& p : f.positions) {
    fmt::format_to(std::back_inserter(out), "{}{}  {:5.2f}   {:5.1f} % missing\n",
                   row_label(p.position, columns), bar(p.level, bar_width), p.level,
                   100.0 * p.missing_ratio);
  }
  return out;
}

/// One character for a cell: how strong, and whether something is missing in it.
char cell_sign(const BeatCell& cell) {
  if (!cell.judged) return ' ';
  if (cell.missing >= 0.5) return 'X';
  if (cell.missing > 0.0) return 'x';
  return cell.level >= 0.75 ? '#' : cell.level >= 0.4 ? '+' : '.';
}

/// Firing positions downward, time to the right.
std::string small_beat_map(const Report& report, int columns) {
  const auto wide = static_cast<std::size_t>(std::clamp(room_in_row(columns, 0), 16, 64));
  const std::size_t positions = report.engine.positions().size();
  const BeatRows map = beat_rows(report.finding, positions, wide);
  if (map.rows.empty()) return {};
  std::string out = '\n' + wrapped("  ",
                                   fmt::format("Beat map, {} a column (# full pulse, + smaller, . "
                                               "hardly any, X missing, x some missing):",
                                               map.cycles_per_row == 1
                                                   ? "one cycle"
                                                   : fmt::format("{} cycles", map.cycles_per_row)),
                                   columns);
  for (std::size_t j = 0; j < positions; ++j) {
    out += row_label(static_cast<int>(j) + 1, columns);
    for (const BeatRow& row : map.rows) out += row.gap ? '|' : cell_sign(row.cells[j]);
    out += '\n';
  }
  const std::string first = fmt::format("{:.1f} s", map.rows.front().time_s);
  const std::string last = fmt::format("{:.1f} s", map.rows.back().time_s);
  const std::size_t width = std::max(map.rows.size(), first.size() + last.size() + 1);
  return out + fmt::format("{:{}}{}{:>{}}\n", "", row_label(1, columns).size(), first, last,
                           width - first.size());
}

}  // namespace

std::string to_text(const Report& report, const TextOptions& options) {
  const Finding& f = report.finding;
  std::string out = wrapped("", headline(report) + ".", options.columns);
  if (options.colour) out = fmt::format("{}{}\x1b[0m", colour_of(f.verdict), out);
  out += wrapped("  ",
                 fmt::format("{}: {:.1f} s, {}", source(report), f.duration.value(),
                             engine_in_words(report.engine)),
                 options.columns);

  const std::vector<Figure> numbers = figures(report);
  if (!numbers.empty()) out += '\n';
  for (const Figure& figure : numbers) {
    out += wrapped(fmt::format("  {:<12}", figure.name), figure.text, options.columns);
  }
  out += position_bars(f, options.columns);
  if (options.beat_map) out += small_beat_map(report, options.columns);

  if (!f.reasons.empty()) out += "\n  Why\n";
  for (const Reason& r : f.reasons)
    out += wrapped("    - ", capitalised(sentence(r)) + ".", options.columns);

  out += "\n  Next\n";
  for (const std::string& step : next_steps(report))
    out += wrapped("    - ", step, options.columns);
  out += '\n';
  if (f.verdict != Verdict::unclear && f.verdict != Verdict::even) {
    out += wrapped("  ", workshop_caution(), options.columns);
  }
  out += wrapped("  ", recording_caution(), options.columns);
  return out;
}

}  // namespace pipebeat::show
