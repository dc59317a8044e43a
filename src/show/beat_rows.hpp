// The beat matrix as pictures draw it: rows of cycles from the list of events.
#pragma once

#include <span>
#include <vector>

#include "pipebeat/finding.hpp"

namespace pipebeat::show {

/// One cell: an exhaust event, or several cycles' events of one position when rows were joined.
struct BeatCell {
  bool judged = false;   ///< false where no event was judged
  double level = 0.0;    ///< mean level of the events
  double missing = 0.0;  ///< share of them that is missing, 0..1
};

struct BeatRow {
  double time_s = 0.0;          ///< of its first event
  bool gap = false;             ///< a stretch that was not judged; `cells` is empty
  std::vector<BeatCell> cells;  ///< one a position
};

struct BeatRows {
  std::vector<BeatRow> rows;
  int cycles_per_row = 1;
  std::size_t cycles = 0;  ///< judged cycles in all rows
};

/// The events that are worth showing: none when no engine was heard.
[[nodiscard]] std::span<const Event> shown_events(const Finding& finding);

/// True when the finding says that this event is missing: its probability is one half or more. An
/// unclear finding judges no event.
[[nodiscard]] bool is_missing(const Finding& finding, const Event& event);

/// Rows in time order, at most `most_rows` (at least 2) of them: beyond that, neighbouring cycles
/// share a row. A stretch without events of more than two cycles' length becomes one gap row.
[[nodiscard]] BeatRows beat_rows(const Finding& finding, std::size_t positions,
                                 std::size_t most_rows);

}  // namespace pipebeat::show
