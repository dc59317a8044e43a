#include "show/live.hpp"

#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "findings.hpp"
#include "show/microphone.hpp"
#include "show/paragraphs.hpp"

using namespace pipebeat;
using show::BeatMap;

namespace {

/// A four at 600 rpm (a cycle lasts 0.2 s), heard from `begin_s` for `cycles`. The finding numbers
/// its positions from the first pulse it hears; the engine's pulse `dead` (0-based, 2 in the
/// engine's own counting) is missing.
Finding heard(int first_pulse, int pulses, int dead) {
  Finding f;
  for (int i = 0; i < pulses; ++i) {
    const int pulse = first_pulse + i;
    const bool missing = pulse % 4 == dead;
    f.events.push_back({0.05F * static_cast<float>(pulse), i / 4,
                        static_cast<std::int16_t>(i % 4 + 1), missing ? 0.0F : 1.0F,
                        missing ? 0.99F : 0.01F});
  }
  return f;
}

/// Columns of the missing pulses.
std::vector<int> missing_columns(const BeatMap& map) {
  std::vector<int> columns;
  for (const auto& row : map.last_rows(1000)) {
    for (const auto& cell : row) {
      if (cell.missing_probability > 0.5F) columns.push_back(cell.column);
    }
  }
  return columns;
}

std::string text_of(const std::vector<show::Line>& lines) {
  std::string out;
  for (const show::Line& line : lines) {
    for (const show::Piece& piece : line) out += piece.text;
    out += '\n';
  }
  return out;
}

struct View {
  Engine engine = four();
  Finding whole;
  Finding recent;
  BeatMap beats{4};

  static Engine four() {
    EngineSpec spec;
    spec.cylinders = 4;
    return *Engine::make(spec);
  }
  [[nodiscard]] show::LiveState state() const {
    show::LiveState s{engine, whole, recent, beats};
    s.judged = true;
    s.seconds = 12.0;
    s.take = "van.wav";
    s.device = "default";
    s.notice = "Caution";
    s.keys = "s stop";
    return s;
  }
};

}  // namespace

TEST_CASE("A dead cylinder stays in its column, wherever each finding begins to count") {
  BeatMap map{4};
  // Five seconds each, one later every time: 20 pulses a second, so they begin at any position.
  for (int start = 0; start < 400; start += 21) map.add(heard(start, 100, 2));
  const std::vector<int> columns = missing_columns(map);
  REQUIRE(columns.size() > 100);
  for (const int column : columns) CHECK(column == 2);
}

TEST_CASE("Overlapping findings replace each other: every pulse once, in order of time") {
  BeatMap map{4};
  map.add(heard(0, 100, 2));
  map.add(heard(50, 100, 3));
  std::vector<float> times;
  for (const auto& row : map.last_rows(1000)) {
    for (const auto& cell : row) times.push_back(cell.time_s);
  }
  REQUIRE(times.size() == 150);
  for (std::size_t i = 0; i < times.size(); ++i) {
    CHECK(times[i] == doctest::Approx(0.05 * static_cast<double>(i)));
  }
}

TEST_CASE("The beat map is bounded, and gives the newest rows") {
  BeatMap map{4};
  for (int start = 0; start < 20'000; start += 80) map.add(heard(start, 100, 2));
  CHECK(map.last_rows(100'000).size() <= 1001);
  const auto rows = map.last_rows(7);
  REQUIRE(rows.size() == 7);
  CHECK(rows.back().back().time_s > 995.0F);
  CHECK(BeatMap{4}.last_rows(5).empty());
}

TEST_CASE("The view fits its screen, whatever the size and the state") {
  View view;
  view.whole.verdict = Verdict::dead_miss;
  view.whole.missing_event_ratio = 0.25;
  view.recent = heard(0, 100, 2);
  view.recent.speed = SpeedSummary{Rpm{601.0}, Rpm{590.0}, Rpm{612.0}};
  view.beats.add(view.recent);
  for (const bool blocks : {false, true}) {
    for (const int rows : {5, 10, 22, 24, 60}) {
      for (const int columns : {20, 40, 72, 80, 200}) {
        CAPTURE(rows);
        CAPTURE(columns);
        show::LiveState state = view.state();
        state.advice = {
            "too loud: move back to an arm's length, or lower the input level by a lot"};
        const auto lines = show::live_lines(state, {rows, columns, blocks});
        CHECK(lines.size() <= static_cast<std::size_t>(rows));
        for (const show::Line& line : lines) {
          std::size_t used = 0;
          for (const show::Piece& piece : line) {
            used += show::width(piece.text);
            if (!blocks) {
              for (const char c : piece.text) CHECK(static_cast<unsigned char>(c) < 0x80);
            }
          }
          CHECK(used <= static_cast<std::size_t>(columns));
        }
      }
    }
  }
}

TEST_CASE("What the view says, in words and not in colour alone") {
  View view;
  view.whole.verdict = Verdict::dead_miss;
  view.whole.confidence = 0.97;
  view.whole.missing_event_ratio = 0.25;
  view.whole.positions.resize(4);
  view.whole.positions[2].missing_ratio = 1.0;
  view.recent = heard(0, 100, 2);
  view.recent.verdict = Verdict::even;
  view.recent.speed = SpeedSummary{Rpm{601.0}, Rpm{590.0}, Rpm{612.0}};
  view.beats.add(view.recent);
  show::LiveState state = view.state();
  state.clipped = true;
  std::string text = text_of(show::live_lines(state, {20, 60, false}));
  CHECK(text.find("Recording 0:12") != std::string::npos);
  CHECK(text.find("MISS  One cylinder is dead") != std::string::npos);
  CHECK(text.find("601 rpm   25% of pulses missing") != std::string::npos);
  CHECK(text.find("Last 5 s  NO MISS") != std::string::npos);
  CHECK(text.find("TOO LOUD: step back") != std::string::npos);
  CHECK(text.find("PULSE") == std::string::npos);
  state.change = PulseChange{9.0, true};
  state.change_ago_s = 3.2;
  state.since_change = true;
  CHECK(text_of(show::live_lines(state, {20, 90, false})).find("A PULSE WENT MISSING 3 s ago") !=
        std::string::npos);
  CHECK(text_of(show::live_lines(state, {20, 90, false})).find("Since then  NO MISS") !=
        std::string::npos);
  state.change->lost = false;
  CHECK(text_of(show::live_lines(state, {20, 90, false})).find("A PULSE CAME BACK 3 s ago") !=
        std::string::npos);
  CHECK(text.find(" x ") != std::string::npos);
  CHECK(text.find("s stop") != std::string::npos);
  state.clipped = false;
  state.too_quiet = true;
  CHECK(text_of(show::live_lines(state, {20, 60, false})).find("TOO QUIET: come closer") !=
        std::string::npos);
  state.judged = false;
  CHECK(text_of(show::live_lines(state, {20, 60, false})).find("LISTENING") != std::string::npos);
}

TEST_CASE("On a narrow screen nothing that matters is cut") {
  View view;
  view.whole.verdict = Verdict::random_miss;
  view.whole.confidence = 0.97;
  view.whole.missing_event_ratio = 0.12;
  view.recent = heard(0, 100, 2);
  show::LiveState state = view.state();
  state.change = PulseChange{9.0, true};
  state.change_ago_s = 3.2;
  state.advice = {
      "too loud, 3.0 % is cut off: move back to an arm's length, or lower the input level"};
  state.keys = "1-4 its lead is off now   0 all on again   m mark   s stop and answer   q quit";
  for (const int columns : {40, 80}) {
    std::string text = text_of(show::live_lines(state, {30, columns, false}));
    for (char& c : text) c = c == '\n' ? ' ' : c;
    for (const std::string_view part :
         {"of the exhaust pulses are missing, 97 % sure", "A PULSE WENT MISSING 3 s ago",
          "or lower the input level", "s stop and answer", "q quit"}) {
      CAPTURE(part);
      CHECK(text.find(part) != std::string::npos);
    }
  }
  show::GuideState guide;
  guide.word = "UNPLUG 1";
  guide.keys = "Enter done   n leave out   s stop and answer   q quit without the answer";
  const std::string text = text_of(show::guide_lines(guide, {24, 40, false}));
  CHECK(text.find("s stop and answer") != std::string::npos);
  CHECK(text.find("q quit without the answer") != std::string::npos);
}

TEST_CASE("On a low and narrow screen the answer and the keys are what stays") {
  View view;
  view.whole.verdict = Verdict::dead_miss;
  view.whole.missing_event_ratio = 0.25;
  view.recent.verdict = Verdict::dead_miss;
  show::LiveState state = view.state();
  state.notice = "Marked at 12.0 s: cylinder 3 unplugged";
  state.advice = {
      "too loud, 3.0 % is cut off: move back to an arm's length, or lower the input level"};
  state.keys = "1-4 that one unplugged   0 all on again   m mark   s stop   q quit, no answer";
  for (const int rows : {8, 12, 16}) {
    CAPTURE(rows);
    const std::string text = text_of(show::live_lines(state, {rows, 40, false}));
    for (const std::string_view part :
         {"MISS", "exhaust pulses are missing", "25% of pulses missing", "Last 5 s  MISS",
          "cylinder 3 unplugged", "q quit"}) {
      CAPTURE(part);
      CHECK(text.find(part) != std::string::npos);
    }
  }
  state.too_quiet = true;
  CHECK(text_of(show::live_lines(state, {24, 40, false})).find("TOO QUIET: come closer") !=
        std::string::npos);

  show::GuideState guide;
  guide.word = "UNPLUG 3";
  guide.sentence = "Unplug cylinder 3, then press Enter.";
  guide.caution =
      "Caution first: never hold a lead, and so on for as many lines as there are on the screen, "
      "and more.";
  guide.keys = "Enter done   s stop and answer   q quit without the answer";
  const std::string text = text_of(show::guide_lines(guide, {8, 40, false}));
  for (const std::string_view part :
       {"UNPLUG 3", "then press Enter.", "Caution first", "s stop and answer", "q quit"}) {
    CAPTURE(part);
    CHECK(text.find(part) != std::string::npos);
  }
}

TEST_CASE("Every microphone fault has a sentence that says what to change") {
  for (int i = 0; i < core::microphone_fault_count; ++i) {
    const std::string advice = show::advice({static_cast<core::MicrophoneFault>(i), 50.0});
    CAPTURE(advice);
    CHECK(advice.find(": ") != std::string::npos);
    CHECK(advice.size() > 30);
    CHECK(advice.size() < 130);
  }
}
