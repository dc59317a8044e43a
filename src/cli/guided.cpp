#include "cli/guided.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <chrono>
#include <cmath>
#include <thread>

#include "cli/command.hpp"
#include "cli/live_take.hpp"
#include "cli/screen.hpp"
#include "core/drop_guide.hpp"
#include "show/droptest.hpp"
#include "show/live.hpp"
#include "show/paragraphs.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;
using core::DropStep;

constexpr auto warning_time = 3s;
constexpr double too_long_off_s = 14.0;

/// What the screen says of a step.
void describe(show::GuideState& state, const core::DropGuide& guide) {
  const int c = guide.cylinder();
  switch (guide.step()) {
    case DropStep::read_caution:
      state.word = "READ";
      state.ink = show::Ink::warning;
      state.sentence = "Read the caution below. Engine warm and idling, all cylinders plugged in: press Enter.";
      break;
    case DropStep::hear_all_in:
      state.word = "WAIT";
      state.ink = show::Ink::faint;
      state.sentence = "Listening with everything plugged in, until the speed is steady. Touch nothing.";
      break;
    case DropStep::unplug:
      state.word = fmt::format("UNPLUG {}", c);
      state.ink = show::Ink::warning;
      state.sentence = fmt::format("Unplug cylinder {}, then press Enter. n leaves it out.", c);
      break;
    case DropStep::hear_off:
      state.word = "WAIT";
      state.ink = show::Ink::faint;
      state.sentence = fmt::format("Listening with cylinder {} unplugged: some 7 s.", c);
      break;
    case DropStep::plug_back:
      state.word = fmt::format("PLUG {} BACK", c);
      state.ink = show::Ink::good;
      state.sentence = fmt::format("Plug cylinder {} back in, then press Enter.", c);
      break;
    case DropStep::check_back:
      state.word = "WAIT";
      state.ink = show::Ink::faint;
      state.sentence = fmt::format("Listening whether cylinder {} is back.", c);
      break;
    case DropStep::still_off:
      state.word = fmt::format("{} STILL OFF", c);
      state.ink = show::Ink::bad;
      state.sentence = fmt::format("It sounds as if cylinder {} were still unplugged. Plug it in, then press Enter; "
                                   "n if it is in.", c);
      break;
    case DropStep::done: break;
  }
}

Ended follow_guide(core::DropGuide& guide, LiveTake& take, TerminalScreen& screen) {
  LiveEar& ear = *take.ear;
  DeviceWatch watch{*take.capture};
  std::int64_t number = 0;
  std::string rpm = "--";
  auto clipped_at = Clock::now() - warning_time;
  for (;;) {
    if (auto ended = over(ear, watch)) return *ended;
    if (const auto judged = ear.later_than(number)) {
      number = judged->number;
      rpm = judged->last_seconds.recent.speed ? fmt::format("{:.0f}", judged->last_seconds.recent.speed->mean.value()) : "--";
      guide.heard(Seconds{judged->heard_s}, judged->last_seconds.recent);
    }
    if (guide.step() == DropStep::done) return {};
    const Loudness loud = ear.loudness();
    if (loud.clipped) clipped_at = Clock::now();

    show::GuideState state;
    describe(state, guide);
    state.seconds = ear.written().value();
    if (guide.off_since() && state.seconds - guide.off_since()->value() > too_long_off_s) {
      state.warning = fmt::format("Off for {:.0f} s: unburnt fuel heats the catalyst. Plug it back now.",
                                  state.seconds - guide.off_since()->value());
    } else if (const auto trouble = ear.mark_trouble()) {
      state.warning = trouble->what;
    } else if (number > 0 && guide.engine_lost() && guide.step() != DropStep::read_caution) {
      state.warning = "No running engine is heard: start it again, or bring the microphone nearer to the pipe.";
    }
    for (const core::DropGuide::Tried& t : guide.tried()) {
      state.done.push_back(t.rpm_drop ? fmt::format("cylinder {}: {:+.0f} rpm", t.cylinder, -*t.rpm_drop)
                                      : fmt::format("cylinder {}: no engine heard", t.cylinder));
    }
    state.level_db = decibels(loud.power);
    state.peak_db = 2.0 * decibels(static_cast<double>(loud.peak));
    state.clipped = Clock::now() - clipped_at < warning_time;
    state.rpm = rpm;
    state.take = take.path;
    state.device = take.capture->device().name;
    state.caution = show::unplugging_caution();
    state.keys = "Enter done   n leave out   s stop and answer   q quit without the answer";
    screen.draw(show::guide_lines(state, screen.size()));

    const auto key = screen.key();
    if (!key) continue;
    if (*key == 's') return {};
    if (*key == 'q') return {std::nullopt, true};
    if (*key == '\n' || *key == ' ') {
      for (std::string& mark : guide.confirm(ear.written())) ear.mark(std::move(mark));
    } else if (*key == 'n') {
      guide.insist();
      guide.skip();
    }
  }
}

}  // namespace

Result<std::optional<std::string>> guided_drop_test(const Engine& engine, const EngineOptions& described,
                                                    const audio::CaptureOptions& microphone,
                                                    const std::string& save) {
  if (::isatty(STDOUT_FILENO) == 0 || ::isatty(STDIN_FILENO) == 0) {
    return fail(ErrorCode::unsupported, "droptest --live asks and waits for keys, and this is no terminal",
                "run it in a terminal, or record with `pipebeat listen` and give the take");
  }
  take_over_signals();
  fmt::print(stderr, "{}{}", show::wrapped("", show::recording_caution(), columns(STDERR_FILENO)),
             show::wrapped("", show::unplugging_caution(), columns(STDERR_FILENO)));
  const auto speed_guess = described.speed_guess();
  if (!speed_guess) return tl::unexpected(speed_guess.error());
  auto take = open_take(engine, microphone, {*speed_guess, std::nullopt}, save, described.job, std::nullopt);
  if (!take) return tl::unexpected(take.error());
  Ended ended;
  core::DropGuide guide{engine};
  if (auto screen = TerminalScreen::open()) {
    if (auto started = take->capture->start(take->ear->queue()); !started) {
      ended.trouble = started.error();
    } else {
      ended = follow_guide(guide, *take, **screen);
    }
  } else {
    ended.trouble = screen.error();
  }
  if (!close_take(*take, ended)) return tl::unexpected(*ended.trouble);
  tell_take(*take);
  if (ended.trouble) return tl::unexpected(*ended.trouble);
  if (ended.quietly) return std::optional<std::string>{};
  if (guide.tried().empty()) {
    fmt::print(stderr, "Nothing was unplugged, so there is nothing to answer.\n");
    return std::optional<std::string>{};
  }
  return std::optional{take->path};
}

}  // namespace pipebeat::cli
