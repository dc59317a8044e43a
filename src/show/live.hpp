// The view of a take while it is made: state in, styled lines out. Who draws them is not our
// business here.
#pragma once

#include <cstddef>
#include <deque>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"

namespace pipebeat::show {

enum class Ink { plain, faint, good, warning, bad };

struct Piece {
  std::string text;
  Ink ink = Ink::plain;
};
/// One row of the screen, left to right.
using Line = std::vector<Piece>;

/// The beat matrix of the last minute or so, put together from findings that overlap in time.
///
/// Each finding numbers the positions from an arbitrary one; a new one is turned until it agrees
/// with what is already there, so that a dead cylinder stays in its column.
class BeatMap {
 public:
  struct Cell {
    float time_s = 0.0F;
    int column = 0;  ///< 0-based
    float level = 0.0F;
    float missing_probability = 0.0F;
  };
  /// One engine cycle; columns without an event are absent.
  using Row = std::vector<Cell>;

  explicit BeatMap(int positions) : positions_{positions} {}

  /// Replaces what it had of the time that `recent` covers.
  void add(const Finding& recent);

  /// The last cycles, oldest first, at most `count`.
  [[nodiscard]] std::vector<Row> last_rows(std::size_t count) const;

 private:
  [[nodiscard]] int turn_of(const std::vector<Event>& events) const;

  int positions_;
  std::deque<Cell> cells_;  ///< by rising time
};

/// Everything the view shows. Refers to its parts; make it where it is used.
struct LiveState {
  const Engine& engine;
  const Finding& whole;
  const Finding& recent;
  const BeatMap& beats;
  bool judged = false;  ///< `whole` and `recent` mean something
  std::optional<PulseChange> change{};
  double change_ago_s = 0.0;
  bool since_change = false;  ///< `recent` is about what followed the change only
  double seconds = 0.0;       ///< written so far
  double level_db = -120.0;   ///< of full scale, mean of the last moment
  double peak_db = -120.0;    ///< the same, its peak
  bool clipped = false;       ///< within the last seconds
  bool too_quiet = false;
  std::string_view take{};  ///< file name
  std::string_view device{};
  std::vector<std::string> advice{};  ///< what to change about the sound, worst first
  std::string_view notice{};          ///< what just happened ("marked: unplugged 3")
  std::string_view keys{};            ///< which keys do what
};

/// What the guided drop test asks for, in the words of the screen.
struct GuideState {
  std::string word{};  ///< in large letters: "UNPLUG 3"
  Ink ink = Ink::plain;
  std::string sentence{};           ///< what to do, or what is waited for
  std::string warning{};            ///< empty: none
  std::vector<std::string> done{};  ///< one row a cylinder tried
  double seconds = 0.0;             ///< written so far
  double level_db = -120.0;
  double peak_db = -120.0;
  bool clipped = false;
  std::string_view rpm{};  ///< of the last seconds
  std::string_view take{};
  std::string_view device{};
  std::string_view caution{};  ///< stays in sight
  std::string_view keys{};
};

struct Screen {
  int rows = 24;
  int columns = 80;
  bool blocks = true;  ///< the terminal has block characters (UTF-8)
};

/// At most `screen.rows` lines of at most `screen.columns` columns.
[[nodiscard]] std::vector<Line> live_lines(const LiveState& state, const Screen& screen);

/// The same for the guided drop test.
[[nodiscard]] std::vector<Line> guide_lines(const GuideState& state, const Screen& screen);

}  // namespace pipebeat::show
