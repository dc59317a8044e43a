// The core as the page's worker calls it: plain functions over numbers and C strings.
//
// One session at a time, on one thread. Strings that come back live until the next call that
// returns one. A concluded session can be kept as one side of a comparison.
#include <emscripten.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "core/ears.hpp"
#include "core/last_seconds.hpp"
#include "pipebeat/compare.hpp"
#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"
#include "pipebeat/listener.hpp"
#include "pipebeat/version.hpp"
#include "show/compare.hpp"
#include "show/csv.hpp"
#include "show/html.hpp"
#include "show/json.hpp"
#include "show/pictures.hpp"
#include "show/words.hpp"

namespace {

using namespace pipebeat;

struct Session {
  Engine engine;
  core::Ears ears;
  std::vector<float> block;
  std::size_t channels;
  Finding finding;
  std::optional<Rpm> speed_guess;
  core::LastSeconds last_seconds;
  core::LastSecondsSay now;
};

/// A recording as it was heard, to be compared.
struct Side {
  std::string file;
  Engine engine;
  ComparedRecording recording;
  bool speed_known = false;  ///< the user gave it

  [[nodiscard]] show::Report report() const { return {file, engine, recording.finding}; }
};

std::optional<Session> session;
std::array<std::optional<Side>, 2> sides;  // before, after
Comparison comparison;
std::string file_name;
std::string answer;

const char* say(std::string text) {
  answer = std::move(text);
  return answer.c_str();
}

show::Report report() {
  return {file_name, session->engine, session->finding, session->speed_guess};
}

template <class Range>
std::string list(const Range& values) {
  return fmt::format("[{}]", fmt::join(values, ","));
}

std::string lines(const std::vector<std::string>& texts) {
  return fmt::format("{}", fmt::join(texts, "\n"));
}

/// Name and text of each, line by line.
std::string lines(const std::vector<show::Figure>& figures) {
  std::vector<std::string> texts;
  for (const show::Figure& f : figures) texts.insert(texts.end(), {f.name, f.text});
  return lines(texts);
}

}  // namespace

extern "C" {

EMSCRIPTEN_KEEPALIVE const char* pb_version() { return say(std::string{version}); }

/// The built-in layouts as a JSON array.
EMSCRIPTEN_KEEPALIVE const char* pb_layouts() {
  std::string json = "[";
  for (const BuiltinEngine& e : builtin_engines()) {
    // Names and descriptions are ours and hold nothing that JSON escapes.
    json += fmt::format(
        R"({}{{"name":"{}","description":"{}","cylinders":{},"strokes":{},"order":{},)"
        R"("intervals":{},"heard":{}}})",
        json.size() > 1 ? "," : "", e.name, e.description, e.spec.cylinders, e.spec.strokes,
        list(e.spec.order), list(e.spec.intervals_deg), list(e.spec.heard));
  }
  return say(json + "]");
}

/// Begins a session. `numbers` holds the firing order, then the intervals, then the heard
/// cylinders; an rpm of 0 is no guess. Returns "" or what is wrong ("WHAT; HINT").
EMSCRIPTEN_KEEPALIVE const char* pb_open(int cylinders, int strokes, const double* numbers,
                                         int orders, int intervals, int heard, double rpm,
                                         double sample_rate, int channels) {
  session.reset();
  EngineSpec spec;
  spec.cylinders = cylinders;
  spec.strokes = strokes;
  for (int i = 0; i < orders; ++i) spec.order.push_back(static_cast<int>(*numbers++));
  for (int i = 0; i < intervals; ++i) spec.intervals_deg.push_back(*numbers++);
  for (int i = 0; i < heard; ++i) spec.heard.push_back(static_cast<int>(*numbers++));
  const auto refused = [](const Error& e) { return say(e.what + "; " + e.hint); };
  auto engine = Engine::make(spec);
  if (!engine) return refused(engine.error());
  ListenerOptions options;
  if (rpm != 0.0) options.speed_guess = Rpm{rpm};
  auto ears = core::Ears::create(*engine, Hertz{sample_rate}, std::max(channels, 1), {}, options);
  if (!ears) return refused(ears.error());
  session.emplace(Session{*engine, std::move(*ears), {}, static_cast<std::size_t>(channels), {},
                          options.speed_guess, {}, {}});
  return say("");
}

/// Room for that many frames, interleaved; to be filled before pb_push.
EMSCRIPTEN_KEEPALIVE float* pb_block(int frames) {
  session->block.resize(static_cast<std::size_t>(frames) * session->channels);
  return session->block.data();
}

EMSCRIPTEN_KEEPALIVE void pb_push() { session->ears.push(session->block); }

/// Finds what there is to say now: of everything heard, or of the last seconds when more than 0.
EMSCRIPTEN_KEEPALIVE void pb_conclude(double seconds, const char* file) {
  file_name = file;
  const Listener& listener = session->ears.best();
  session->finding = seconds > 0.0 ? listener.recent(Seconds{seconds}) : listener.finding();
}

/// Finds what the engine does now, after so many seconds of sound: across no change of a pulse.
EMSCRIPTEN_KEEPALIVE void pb_now(double heard_s, const char* file) {
  file_name = file;
  session->now = session->last_seconds.judge(session->ears.best(), heard_s);
  session->finding = session->now.now();
}

/// The pulse that went missing or came back lately, as pb_now heard it: JSON, null when there is none.
EMSCRIPTEN_KEEPALIVE const char* pb_change() {
  const core::LastSecondsSay& now = session->now;
  if (!now.change) return say("null");
  return say(fmt::format(R"({{"lost":{},"ago_s":{:.1f},"judged":{}}})", now.change->lost, now.change_ago_s,
                         now.after.has_value()));
}

EMSCRIPTEN_KEEPALIVE const char* pb_json() { return say(show::to_json(report())); }
EMSCRIPTEN_KEEPALIVE const char* pb_headline() { return say(show::headline(report())); }
EMSCRIPTEN_KEEPALIVE const char* pb_figures() { return say(lines(show::figures(report()))); }
EMSCRIPTEN_KEEPALIVE const char* pb_next_steps() {
  return say(lines(show::next_steps(report(), show::Place::page)));
}
EMSCRIPTEN_KEEPALIVE const char* pb_events() { return say(show::to_csv(report())); }
/// `written_s`: when the file was last written, seconds since 1970 began; not a number: not known.
EMSCRIPTEN_KEEPALIVE const char* pb_report(double written_s) {
  show::Report dated = report();
  if (std::isfinite(written_s)) {
    dated.last_written = std::chrono::sys_seconds{std::chrono::seconds{static_cast<std::int64_t>(written_s)}};
  }
  return say(show::to_html(dated, show::Place::page));
}

/// A picture by its number, see show::Picture; "" when there is nothing to draw.
EMSCRIPTEN_KEEPALIVE const char* pb_picture(int number) {
  return say(show::to_svg(static_cast<show::Picture>(number), report()));
}

/// Keeps what was concluded of everything heard as the recording from before (0) or after (1).
EMSCRIPTEN_KEEPALIVE void pb_keep(int side) {
  sides.at(static_cast<std::size_t>(side))
      .emplace(Side{file_name, session->engine, as_compared(session->ears.best()), session->speed_guess.has_value()});
}

/// Both sides are kept: the speed near which this one is to be heard again and given to pb_keep_instead, as the other
/// tells; 0 when it may stay as it is.
EMSCRIPTEN_KEEPALIVE double pb_hear_again_near(int side) {
  const Side& one = *sides.at(static_cast<std::size_t>(side));
  const Side& other = *sides.at(static_cast<std::size_t>(1 - side));
  if (one.speed_known) return 0.0;
  const auto near = speed_of_the_other(one.recording.finding, other.recording.finding);
  return near ? near->value() : 0.0;
}

EMSCRIPTEN_KEEPALIVE void pb_keep_instead(int side) {
  hear_instead(sides.at(static_cast<std::size_t>(side))->recording, as_compared(session->ears.best()));
}

/// Compares the two that were kept.
EMSCRIPTEN_KEEPALIVE void pb_compare() {
  comparison = compare(sides[1]->engine, std::span{&sides[0]->recording, 1},
                       std::span{&sides[1]->recording, 1});
}

EMSCRIPTEN_KEEPALIVE const char* pb_compare_json() {
  return say(show::to_json(show::CompareReport{comparison, {sides[0]->report()}, {sides[1]->report()}}));
}
EMSCRIPTEN_KEEPALIVE const char* pb_compare_headline() { return say(show::headline(comparison)); }
EMSCRIPTEN_KEEPALIVE const char* pb_compare_figures() { return say(lines(show::figures(comparison))); }
EMSCRIPTEN_KEEPALIVE const char* pb_compare_next_steps() {
  return say(lines(show::next_steps(comparison, show::Place::page)));
}

/// The caution about recording, then the one about work on the engine.
EMSCRIPTEN_KEEPALIVE const char* pb_cautions() {
  return say(fmt::format("{}\n{}", show::recording_caution(), show::workshop_caution()));
}

}  // extern "C"
