#include "show/beat_rows.hpp"

#include <algorithm>
#include <cmath>
#include <span>

namespace pipebeat::show {

namespace {

struct Cycle {
  double time_s;
  std::span<const Event> events;
};

/// Cuts the events into cycles: a new one begins where the cycle number changes.
std::vector<Cycle> cycles_of(std::span<const Event> events) {
  std::vector<Cycle> cycles;
  for (std::size_t begin = 0; begin < events.size();) {
    std::size_t end = begin + 1;
    while (end < events.size() && events[end].cycle == events[begin].cycle) ++end;
    cycles.push_back({events[begin].time_s, events.subspan(begin, end - begin)});
    begin = end;
  }
  return cycles;
}

double usual_length(const std::vector<Cycle>& cycles) {
  std::vector<double> steps;
  for (std::size_t i = 1; i < cycles.size(); ++i) {
    steps.push_back(cycles[i].time_s - cycles[i - 1].time_s);
  }
  if (steps.empty()) return 0.0;
  const auto middle = steps.begin() + static_cast<std::ptrdiff_t>(steps.size() / 2);
  std::nth_element(steps.begin(), middle, steps.end());
  return *middle;
}

BeatRow joined(const Finding& finding, std::span<const Cycle> cycles, std::size_t positions) {
  BeatRow row{cycles.front().time_s, false, std::vector<BeatCell>(positions)};
  std::vector<double> count(positions, 0.0);
  for (const Cycle& cycle : cycles) {
    for (const Event& e : cycle.events) {
      if (e.position < 1 || static_cast<std::size_t>(e.position) > positions) continue;
      if (!std::isfinite(e.level)) continue;
      const auto j = static_cast<std::size_t>(e.position - 1);
      row.cells[j].level += static_cast<double>(e.level);
      row.cells[j].missing += is_missing(finding, e) ? 1.0 : 0.0;
      count[j] += 1.0;
    }
  }
  for (std::size_t j = 0; j < positions; ++j) {
    if (count[j] == 0.0) continue;
    row.cells[j].judged = true;
    row.cells[j].level /= count[j];
    row.cells[j].missing /= count[j];
  }
  return row;
}

}  // namespace

std::span<const Event> shown_events(const Finding& finding) {
  const bool engine =
      std::none_of(finding.reasons.begin(), finding.reasons.end(),
                   [](const Reason& r) { return r.code == ReasonCode::no_engine_heard; });
  return engine ? std::span{finding.events} : std::span<const Event>{};
}

bool is_missing(const Finding& finding, const Event& event) {
  return finding.verdict != Verdict::unclear && event.missing_probability >= 0.5F;
}

BeatRows beat_rows(const Finding& finding, std::size_t positions, std::size_t most_rows) {
  const std::vector<Cycle> cycles = cycles_of(shown_events(finding));
  const double long_gap = 3.0 * usual_length(cycles);
  const auto gap_before = [&](std::size_t i) {
    return i > 0 && long_gap > 0.0 && cycles[i].time_s - cycles[i - 1].time_s > long_gap;
  };
  const auto rows_sharing = [&](std::size_t share, bool show_gaps) {
    std::vector<BeatRow> rows;
    for (std::size_t begin = 0; begin < cycles.size();) {
      std::size_t end = begin + 1;
      while (end < cycles.size() && end - begin < share && !(show_gaps && gap_before(end))) ++end;
      if (show_gaps && gap_before(begin)) rows.push_back({cycles[begin - 1].time_s, true, {}});
      rows.push_back(joined(finding, std::span{cycles}.subspan(begin, end - begin), positions));
      begin = end;
    }
    return rows;
  };

  // Gaps take rows as well, and very many of them are not worth showing.
  std::size_t gaps = 0;
  for (std::size_t i = 1; i < cycles.size(); ++i) gaps += gap_before(i) ? 1U : 0U;
  const bool show_gaps = 4 * gaps < most_rows;
  BeatRows out;
  out.cycles = cycles.size();
  for (std::size_t share = 1;; ++share) {
    const std::size_t full = (cycles.size() + share - 1) / share;
    if (full > most_rows) continue;
    out.rows = rows_sharing(share, show_gaps);
    out.cycles_per_row = static_cast<int>(share);
    if (out.rows.size() <= most_rows || share >= cycles.size()) return out;
  }
}

}  // namespace pipebeat::show
