#include "show/live.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <initializer_list>

#include "pipebeat/certainty.hpp"
#include "show/paragraphs.hpp"
#include "show/words.hpp"

namespace pipebeat::show {

namespace {

constexpr std::size_t cells_kept = 4000;
constexpr float missing_from = 0.5F;

// Large letters, five rows high, "#" for a dot; read from further away than a terminal's own.
struct Letter {
  char of;
  std::array<std::string_view, 5> rows;
};
constexpr std::array letters{
    Letter{'0', {"###", "# #", "# #", "# #", "###"}},
    Letter{'1', {" # ", "## ", " # ", " # ", "###"}},
    Letter{'2', {"###", "  #", "###", "#  ", "###"}},
    Letter{'3', {"###", "  #", "###", "  #", "###"}},
    Letter{'4', {"# #", "# #", "###", "  #", "  #"}},
    Letter{'5', {"###", "#  ", "###", "  #", "###"}},
    Letter{'6', {"###", "#  ", "###", "# #", "###"}},
    Letter{'7', {"###", "  #", "  #", "  #", "  #"}},
    Letter{'8', {"###", "# #", "###", "# #", "###"}},
    Letter{'9', {"###", "# #", "###", "  #", "###"}},
    Letter{'A', {"###", "# #", "###", "# #", "# #"}},
    Letter{'C', {"###", "#  ", "#  ", "#  ", "###"}},
    Letter{'E', {"###", "#  ", "## ", "#  ", "###"}},
    Letter{'G', {"####", "#   ", "# ##", "#  #", "####"}},
    Letter{'I', {"#", "#", "#", "#", "#"}},
    Letter{'L', {"#  ", "#  ", "#  ", "#  ", "###"}},
    Letter{'M', {"#   #", "## ##", "# # #", "#   #", "#   #"}},
    Letter{'N', {"#   #", "##  #", "# # #", "#  ##", "#   #"}},
    Letter{'O', {"####", "#  #", "#  #", "#  #", "####"}},
    Letter{'R', {"## ", "# #", "## ", "# #", "# #"}},
    Letter{'S', {"###", "#  ", "###", "  #", "###"}},
    Letter{'T', {"###", " # ", " # ", " # ", " # "}},
    Letter{'U', {"# #", "# #", "# #", "# #", "###"}},
    Letter{'%', {"#  #", "  # ", " #  ", "#   ", "#  #"}},
    Letter{'B', {"## ", "# #", "## ", "# #", "## "}},
    Letter{'F', {"###", "#  ", "## ", "#  ", "#  "}},
    Letter{'K', {"# #", "# #", "## ", "# #", "# #"}},
    Letter{'P', {"###", "# #", "###", "#  ", "#  "}},
    Letter{'W', {"#   #", "#   #", "# # #", "## ##", "#   #"}},
    Letter{'-', {"   ", "   ", "###", "   ", "   "}},
    Letter{' ', {"  ", "  ", "  ", "  ", "  "}},
};

/// The text in large letters, each dot two columns wide; letters that have no shape are left out.
std::array<std::string, 5> large(std::string_view text, bool blocks) {
  std::array<std::string, 5> rows;
  for (const char c : text) {
    const auto letter =
        std::find_if(letters.begin(), letters.end(), [&](const Letter& l) { return l.of == c; });
    if (letter == letters.end()) continue;
    for (std::size_t r = 0; r < rows.size(); ++r) {
      for (const char dot : letter->rows[r]) {
        rows[r] += dot == ' ' ? "  " : blocks ? "██" : "##";
      }
      rows[r] += "  ";
    }
  }
  return rows;
}

struct Answer {
  std::string_view word;  ///< in large letters
  Ink ink = Ink::plain;
  std::string sentence;
};

Answer answer_of(const Engine& engine, const Finding& f, bool judged) {
  if (!judged) return {"LISTENING", Ink::faint, "Listening: the first answer takes about 3 s"};
  const std::string sentence = headline({"", engine, f});
  if (is_miss(f.verdict)) return {"MISS", Ink::bad, sentence};
  if (f.verdict != Verdict::unclear) {
    return {"NO MISS", f.verdict == Verdict::even ? Ink::good : Ink::warning, sentence};
  }
  const ReasonCode code = f.reasons.empty() ? ReasonCode::too_noisy : f.reasons.front().code;
  if (code == ReasonCode::too_short) {
    return {"LISTENING", Ink::faint, "Listening: the first answer takes about 3 s"};
  }
  if (code == ReasonCode::no_engine_heard) return {"NO ENGINE", Ink::faint, sentence};
  return {"UNCLEAR", Ink::warning, sentence};
}

std::string percent(const std::optional<double>& share) {
  return share ? fmt::format("{:.0f}%", 100.0 * *share) : "--";
}

std::string speed_of(const Finding& f) {
  return f.speed ? fmt::format("{:.0f}", f.speed->mean.value()) : "--";
}

std::string sure(const Finding& f) {
  return f.confidence ? fmt::format(", {} sure", certainty(*f.confidence)) : "";
}

std::string clock(double seconds) {
  const auto s = static_cast<int>(seconds);
  return fmt::format("{}:{:02}", s / 60, s % 60);
}

/// The whole is judged less often as it grows: how far the answer reaches, when that is behind.
std::string as_of(const LiveState& state) {
  constexpr double behind_s = 2.5;
  const double until = state.whole.duration.value();
  return state.judged && state.seconds - until > behind_s ? " (up to " + clock(until) + ")" : "";
}

/// -60 dB to full scale, the loudest tenth second marked.
Line level_meter(double level_db, double peak_db, bool clipped, bool too_quiet,
                 const Screen& screen) {
  constexpr double floor_db = -60.0;
  // On a narrow screen what to do about the level has the room of its number.
  const bool narrow = screen.columns < 50;
  const int length =
      narrow ? std::clamp(screen.columns - 32, 4, 10) : std::clamp(screen.columns - 40, 10, 50);
  const auto at = [&](double db) {
    return static_cast<int>(
        std::lround(length * std::clamp((db - floor_db) / -floor_db, 0.0, 1.0)));
  };
  const int filled = at(level_db);
  const int peak = std::max(at(peak_db), filled);
  std::string bar;
  for (int i = 0; i < length; ++i) {
    if (i < filled) {
      bar += screen.blocks ? "█" : "#";
    } else if (i == peak - 1) {
      bar += screen.blocks ? "▌" : "|";
    } else {
      bar += screen.blocks ? "·" : ".";
    }
  }
  Piece remark{"good", Ink::good};
  if (clipped)
    remark = {"TOO LOUD: step back", Ink::bad};
  else if (too_quiet)
    remark = {"TOO QUIET: come closer", Ink::warning};
  return {{"Level  ", Ink::plain},
          {bar, remark.ink},
          {narrow ? " " : fmt::format(" {:4.0f} dB  ", std::max(peak_db, -99.0)), Ink::plain},
          remark};
}

Piece cell_of(const BeatMap::Cell& cell, int cell_width, bool blocks) {
  const auto n = static_cast<std::size_t>(cell_width);
  if (cell.missing_probability > missing_from) {
    std::string text(n, ' ');
    text[(n - 1) / 2] = 'x';
    return {text, Ink::bad};
  }
  static constexpr std::array block_shades{"░", "▒", "▓", "█"};
  static constexpr std::array plain_shades{".", "-", "+", "#"};
  const auto shade = static_cast<std::size_t>(std::clamp(cell.level * 4.0F, 0.0F, 3.0F));
  std::string text;
  for (std::size_t i = 0; i < n; ++i) text += (blocks ? block_shades : plain_shades)[shade];
  return {text, cell.level < 0.5F ? Ink::warning : Ink::plain};
}

void add_beat_map(std::vector<Line>& lines, const LiveState& state, const Screen& screen,
                  int rows) {
  const auto positions = static_cast<int>(state.engine.positions().size());
  if (rows < 2) return;
  const int cell_width = std::clamp((screen.columns - 12) / positions - 1, 1, 6);
  lines.push_back({{fmt::format("Beats  one row a cycle, newest below; {} fired, x missing",
                                screen.blocks ? "█" : "#"),
                    Ink::faint}});
  const auto map = state.beats.last_rows(static_cast<std::size_t>(rows - 1));
  for (const BeatMap::Row& row : map) {
    Line line{{"       ", Ink::plain}};
    int column = 0;
    for (const BeatMap::Cell& cell : row) {
      const int skipped = std::max(0, cell.column - column);
      line.push_back({std::string(static_cast<std::size_t>(skipped * (cell_width + 1)), ' ')});
      line.push_back(cell_of(cell, cell_width, screen.blocks));
      line.push_back({" "});
      column = cell.column + 1;
    }
    lines.push_back(std::move(line));
  }
  lines.resize(lines.size() + static_cast<std::size_t>(rows - 1) - map.size());
}

std::vector<std::string> rows_of(std::string_view text, int columns) {
  return folded(text, static_cast<std::size_t>(columns), static_cast<std::size_t>(columns));
}

/// The keys in rows, none of them cut: they are parted by more than one blank.
std::vector<std::string> folded_keys(std::string_view keys, int columns) {
  constexpr std::string_view between = "   ";
  std::vector<std::string> rows(1);
  while (!keys.empty()) {
    const std::string_view key = keys.substr(0, keys.find(between));
    keys.remove_prefix(std::min(key.size() + between.size(), keys.size()));
    if (!rows.back().empty() &&
        width(rows.back()) + between.size() + width(key) > static_cast<std::size_t>(columns)) {
      rows.emplace_back();
    }
    if (!rows.back().empty()) rows.back() += between;
    rows.back() += key;
  }
  return rows;
}

void add_folded(std::vector<Line>& lines, std::string_view text, Ink ink, int columns) {
  for (std::string& row : rows_of(text, columns)) lines.push_back({{std::move(row), ink}});
}

/// Lines from one of these to before the other.
struct Range {
  std::size_t begin;
  std::size_t end;
};

/// Takes lines away until the screen holds them: empty ones, then those of the ranges, the first
/// range first and the last line of each first.
void make_room(std::vector<Line>& lines, const Screen& screen,
               std::initializer_list<Range> least_important_first) {
  std::vector<bool> kept(lines.size(), true);
  std::size_t left = lines.size();
  const auto full = [&] { return left <= static_cast<std::size_t>(screen.rows); };
  const auto drop = [&](std::size_t i) {
    if (kept[i]) --left;
    kept[i] = false;
  };
  for (std::size_t i = lines.size(); i-- > 0 && !full();) {
    if (lines[i].empty()) drop(i);
  }
  for (const Range& range : least_important_first) {
    for (std::size_t i = range.end; i-- > range.begin && !full();) drop(i);
  }
  std::vector<Line> out;
  for (std::size_t i = 0; i < lines.size(); ++i) {
    if (kept[i]) out.push_back(std::move(lines[i]));
  }
  lines = std::move(out);
}

/// Cuts a line at the screen's edge.
void cut(Line& line, std::size_t columns) {
  std::size_t used = 0;
  for (Piece& piece : line) {
    std::string kept;
    for (std::size_t i = 0; i < piece.text.size();) {
      std::size_t next = i + 1;
      while (next < piece.text.size() &&
             (static_cast<unsigned char>(piece.text[next]) & 0xC0U) == 0x80U)
        ++next;
      if (used == columns) break;
      kept.append(piece.text, i, next - i);
      ++used;
      i = next;
    }
    piece.text = std::move(kept);
  }
}

}  // namespace

int BeatMap::turn_of(const std::vector<Event>& events) const {
  if (cells_.empty()) return 0;
  std::vector<int> votes(static_cast<std::size_t>(positions_), 0);
  for (const Event& e : events) {
    const auto after = std::lower_bound(cells_.begin(), cells_.end(), e.time_s,
                                        [](const Cell& c, float t) { return c.time_s < t; });
    // Nearest of the two neighbours; beyond either end there is nothing to compare with.
    if (after == cells_.begin() || after == cells_.end()) continue;
    const auto before = std::prev(after);
    const Cell& nearest = after->time_s - e.time_s < e.time_s - before->time_s ? *after : *before;
    const int turn = (nearest.column - (e.position - 1) + positions_) % positions_;
    ++votes[static_cast<std::size_t>(turn)];
  }
  return static_cast<int>(std::max_element(votes.begin(), votes.end()) - votes.begin());
}

void BeatMap::add(const Finding& recent) {
  if (recent.events.empty()) return;
  std::vector<Event> events = recent.events;
  std::sort(events.begin(), events.end(),
            [](const Event& a, const Event& b) { return a.time_s < b.time_s; });
  const int turn = turn_of(events);
  // Half a slot before the first new one: the same event may have moved a little.
  const float span = events.back().time_s - events.front().time_s;
  const float slot = events.size() > 1 ? span / static_cast<float>(events.size() - 1) : 0.0F;
  while (!cells_.empty() && cells_.back().time_s > events.front().time_s - 0.5F * slot) {
    cells_.pop_back();
  }
  for (const Event& e : events) {
    cells_.push_back(
        {e.time_s, (e.position - 1 + turn) % positions_, e.level, e.missing_probability});
  }
  while (cells_.size() > cells_kept) cells_.pop_front();
}

std::vector<BeatMap::Row> BeatMap::last_rows(std::size_t count) const {
  std::vector<Row> rows;
  for (const Cell& cell : cells_) {
    if (rows.empty() || cell.column <= rows.back().back().column) rows.emplace_back();
    rows.back().push_back(cell);
  }
  if (rows.size() > count)
    rows.erase(rows.begin(), rows.end() - static_cast<std::ptrdiff_t>(count));
  return rows;
}

std::vector<Line> live_lines(const LiveState& state, const Screen& screen) {
  const Finding& whole = state.whole;
  const bool roomy = screen.rows >= 22 && screen.columns >= 72;
  const Answer answer = answer_of(state.engine, whole, state.judged);
  const Answer now = answer_of(state.engine, state.recent, state.judged);
  std::vector<Line> lines;
  lines.push_back(
      {{fmt::format("Recording {}  ", clock(state.seconds)), Ink::bad},
       {fmt::format("{}  from {}", one_line(state.take), one_line(state.device)), Ink::faint}});
  lines.emplace_back();
  if (roomy) {
    for (std::string& row : large(answer.word, screen.blocks))
      lines.push_back({{std::move(row), answer.ink}});
    add_folded(lines, answer.sentence + sure(whole) + as_of(state), answer.ink, screen.columns);
    lines.emplace_back();
    const auto rpm = large(speed_of(state.judged ? state.recent : whole), screen.blocks);
    const auto missing = large(percent(whole.missing_event_ratio), screen.blocks);
    constexpr std::size_t first_column = 34;
    for (std::size_t r = 0; r < rpm.size(); ++r) {
      std::string left = rpm[r] + (r + 1 == rpm.size() ? "rpm" : "");
      left += std::string(first_column - std::min(first_column, width(left)), ' ');
      lines.push_back(
          {{left}, {missing[r] + (r + 1 == rpm.size() ? "of pulses missing" : ""), answer.ink}});
    }
  } else {
    add_folded(lines,
               fmt::format("{}  {}{}{}", answer.word, answer.sentence, sure(whole), as_of(state)),
               answer.ink, screen.columns);
    lines.push_back({{fmt::format("{} rpm   {} of pulses missing", speed_of(state.recent),
                                  percent(whole.missing_event_ratio))}});
  }
  lines.push_back({{state.since_change ? "Since then  " : "Last 5 s  ", Ink::faint},
                   {std::string{now.word}, now.ink},
                   {fmt::format(", {} missing{}", percent(state.recent.missing_event_ratio),
                                sure(state.recent))}});
  if (state.change) {
    const Piece change{
        fmt::format("{} {:.0f} s ago",
                    state.change->lost ? "A PULSE WENT MISSING" : "A PULSE CAME BACK",
                    state.change_ago_s),
        state.change->lost ? Ink::bad : Ink::good};
    std::size_t used = 3 + width(change.text);
    for (const Piece& piece : lines.back()) used += width(piece.text);
    if (used <= static_cast<std::size_t>(screen.columns)) {
      lines.back().push_back({"   "});
    } else {
      lines.emplace_back();
    }
    lines.back().push_back(change);
  }
  const std::size_t level = lines.size();
  lines.push_back(
      level_meter(state.level_db, state.peak_db, state.clipped, state.too_quiet, screen));
  const std::size_t advice = lines.size();
  const std::size_t advices = std::min<std::size_t>(state.advice.size(), roomy ? 2 : 1);
  for (std::size_t i = 0; i < advices; ++i)
    add_folded(lines, "! " + state.advice[i], Ink::warning, screen.columns);

  const std::vector<std::string> notice = rows_of(state.notice, screen.columns);
  const std::vector<std::string> keys = folded_keys(state.keys, screen.columns);
  const int below = static_cast<int>(keys.size() + notice.size());
  const int left = screen.rows - static_cast<int>(lines.size()) - below;
  const std::size_t after_advice = lines.size();
  add_beat_map(lines, state, screen, left);
  const std::size_t notices = lines.size();
  for (const std::string& row : notice) lines.push_back({{row, Ink::warning}});
  const std::size_t after_notices = lines.size();
  for (const std::string& row : keys) lines.push_back({{row, Ink::good}});
  // The answer and the keys stay longest; of a notice its first line, which says what a key has
  // done.
  make_room(lines, screen,
            {{0, 1},
             {advice, after_advice},
             {std::min(notices + 1, after_notices), after_notices},
             {level, advice},
             {notices, after_notices},
             {0, level},
             {after_notices, lines.size()}});
  for (Line& line : lines) cut(line, static_cast<std::size_t>(screen.columns));
  return lines;
}

std::vector<Line> guide_lines(const GuideState& state, const Screen& screen) {
  const bool roomy = screen.rows >= 22 && screen.columns >= 72;
  std::vector<Line> lines;
  lines.push_back(
      {{fmt::format("Recording {}  ", clock(state.seconds)), Ink::bad},
       {fmt::format("{}  from {}", one_line(state.take), one_line(state.device)), Ink::faint}});
  lines.emplace_back();
  if (roomy) {
    for (std::string& row : large(state.word, screen.blocks))
      lines.push_back({{std::move(row), state.ink}});
  } else {
    lines.push_back({{state.word, state.ink}});
  }
  lines.emplace_back();
  for (const std::string& row : rows_of(state.sentence, screen.columns))
    lines.push_back({{row, state.ink}});
  if (!state.warning.empty()) {
    for (const std::string& row : rows_of("! " + state.warning, screen.columns))
      lines.push_back({{row, Ink::bad}});
  }
  lines.emplace_back();
  lines.push_back({{fmt::format("{} rpm in the last seconds", state.rpm), Ink::plain}});
  lines.push_back(level_meter(state.level_db, state.peak_db, state.clipped, false, screen));
  lines.emplace_back();
  const std::vector<std::string> caution = rows_of(state.caution, screen.columns);
  const std::vector<std::string> keys = folded_keys(state.keys, screen.columns);
  const int room = screen.rows - static_cast<int>(lines.size() + caution.size() + keys.size()) - 1;
  const std::size_t shown =
      std::min(state.done.size(), static_cast<std::size_t>(std::max(0, room)));
  for (std::size_t i = state.done.size() - shown; i < state.done.size(); ++i)
    lines.push_back({{"  " + state.done[i]}});
  lines.emplace_back();
  for (const std::string& row : caution) lines.push_back({{row, Ink::warning}});
  const std::size_t above_keys = lines.size();
  for (const std::string& row : keys) lines.push_back({{row, Ink::good}});
  // What to do and which keys there are matter most: the caution was read before.
  make_room(lines, screen, {{0, 1}, {1, above_keys}, {above_keys, lines.size()}});
  for (Line& line : lines) cut(line, static_cast<std::size_t>(screen.columns));
  return lines;
}

}  // namespace pipebeat::show
