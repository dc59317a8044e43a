// pipebeat listen: a microphone at the tailpipe, the answer while it forms, and a take that is kept.
#include <fmt/format.h>
#include <unistd.h>

#include <chrono>
#include <cmath>
#include <memory>
#include <string>
#include <thread>

#include "audio/capture.hpp"
#include "cli/command.hpp"
#include "cli/engine_options.hpp"
#include "cli/hear.hpp"
#include "cli/job_note.hpp"
#include "cli/live_take.hpp"
#include "cli/screen.hpp"
#include "show/json.hpp"
#include "show/live.hpp"
#include "show/microphone.hpp"
#include "show/paragraphs.hpp"
#include "show/text.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

constexpr auto pause = 40ms;
constexpr double longest_s = 24.0 * 3600.0;
constexpr auto warning_time = 3s;  // how long the meter remembers a clipped sample

struct ListenOptions {
  EngineOptions engine;
  audio::CaptureOptions capture;
  std::optional<double> rate;
  std::optional<double> seconds;
  std::string save;
  std::string known_good;
  bool json = false;
  bool microphone_check = false;
};

/// Someone who watches would want to know at once.
bool is_news(const Judged& before, const Judged& now) {
  const auto same_change = [](const std::optional<PulseChange>& a,
                              const std::optional<PulseChange>& b) {
    return !b || (a && a->time_s == b->time_s);
  };
  return before.last_seconds.now().speed.has_value() != now.last_seconds.now().speed.has_value() ||
         before.last_seconds.now().verdict != now.last_seconds.now().verdict || !same_change(before.last_seconds.change, now.last_seconds.change);
}

/// One object a second until the take ends, and one in between when something new is to be told.
Ended follow_in_lines(LiveEar& ear, DeviceWatch& watch, const Engine& engine, const std::string& take) {
  Judged told;
  std::int64_t number = 0;
  std::int64_t next_second = 1;
  for (;;) {
    if (auto ended = over(ear, watch)) return *ended;
    if (auto judged = ear.later_than(number)) {
      number = judged->number;
      const bool due = judged->heard_s + 0.01 >= static_cast<double>(next_second);
      if (due || is_news(told, *judged)) {
        if (due) next_second = std::lround(std::floor(judged->heard_s + 0.01)) + 1;
        fmt::print("{}\n", show::to_live_json({take, engine, judged->whole}, judged->last_seconds.now(), true,
                                              judged->last_seconds.change, judged->last_seconds.change_ago_s));
        told = std::move(*judged);
        if (std::fflush(stdout) != 0) {
          return Ended{Error{ErrorCode::write_failed, "standard output: nobody reads it any more",
                             "the take is kept; start again"}};
        }
      }
    }
    std::this_thread::sleep_for(pause);
  }
}

/// Which cylinder a key stands for: 1 to 9, then a, b, c; 0 for none.
int cylinder_of(char key) {
  if (key >= '1' && key <= '9') return key - '0';
  return key >= 'a' && key <= 'c' ? key - 'a' + 10 : 0;
}

/// The live view until the take ends or a key ends it.
Ended follow_on_screen(LiveEar& ear, DeviceWatch& watch, const Engine& engine,
                       const std::string& take, const std::string& device, TerminalScreen& screen) {
  show::BeatMap beats{static_cast<int>(engine.positions().size())};
  Judged judged;
  std::string notice{show::recording_caution()};
  const int cylinders = engine.cylinders();
  const std::string keys = fmt::format(
      "1-{} that one unplugged   0 all on again   m mark   s stop   q quit, no answer",
      cylinders <= 9 ? std::to_string(cylinders) : fmt::format("9,a-{:c}", 'a' + cylinders - 10));
  auto clipped_at = Clock::now() - warning_time;
  for (;;) {
    if (auto ended = over(ear, watch)) return *ended;
    if (auto later = ear.later_than(judged.number)) {
      judged = std::move(*later);
      beats.add(judged.last_seconds.now());
    }
    if (const auto trouble = ear.mark_trouble()) notice = trouble->what;
    const Loudness loud = ear.loudness();
    if (loud.clipped) clipped_at = Clock::now();

    show::LiveState state{engine, judged.whole, judged.last_seconds.now(), beats};
    state.change = judged.last_seconds.change;
    state.change_ago_s = judged.last_seconds.change_ago_s;
    state.since_change = judged.last_seconds.after.has_value();
    state.judged = judged.number > 0;
    state.seconds = ear.written().value();
    state.level_db = decibels(loud.power);
    state.peak_db = 2.0 * decibels(static_cast<double>(loud.peak));
    state.clipped = Clock::now() - clipped_at < warning_time;
    state.take = take;
    state.device = device;
    state.notice = notice;
    state.keys = keys;
    for (const core::MicrophoneRemark& r : judged.remarks) {
      state.too_quiet = state.too_quiet || r.fault == core::MicrophoneFault::too_quiet ||
                        r.fault == core::MicrophoneFault::silent;
      state.advice.push_back(show::advice(r));
    }
    screen.draw(show::live_lines(state, screen.size()));

    const auto key = screen.key();
    if (!key) continue;
    const std::string at = fmt::format("{:.1f} s", state.seconds);
    if (*key == 's') return Ended{};
    if (*key == 'q') return Ended{std::nullopt, true};
    if (*key == 'm') {
      ear.mark("mark");
      notice = "Marked at " + at;
    } else if (*key == '0') {
      ear.mark("on");
      notice = "Marked at " + at + ": all on again";
    } else if (const int cylinder = cylinder_of(*key); cylinder >= 1 && cylinder <= cylinders) {
      ear.mark(fmt::format("off {}", cylinder));
      notice = fmt::format("Marked at {}: cylinder {} unplugged", at, cylinder);
    }
  }
}

/// Listens for five seconds, keeps nothing, says what to change.
ExitStatus check_microphone(const audio::CaptureOptions& options) {
  fmt::print(stderr, "{}", show::wrapped("", show::recording_caution(), columns(STDERR_FILENO)));
  auto capture = audio::Capture::open(options);
  if (!capture) {
    complain(capture.error());
    return ExitStatus::trouble;
  }
  constexpr double length_s = 5.0;
  const double rate = capture->sample_rate().value();
  audio::SampleQueue queue{static_cast<std::size_t>(2.0 * length_s * rate)};
  core::MicrophoneCheck check{capture->sample_rate()};
  if (auto started = capture->start(queue); !started) {
    complain(started.error());
    return ExitStatus::trouble;
  }
  DeviceWatch watch{*capture};
  std::array<float, 4096> block;
  for (double heard = 0.0; heard < length_s * rate && !asked_to_stop();) {
    const std::size_t count = queue.pop(block);
    check.push({block.data(), count});
    heard += static_cast<double>(count);
    if (count > 0) continue;
    if (auto trouble = watch.trouble()) {
      complain(*trouble);
      return ExitStatus::trouble;
    }
    std::this_thread::sleep_for(pause);
  }
  capture->stop();
  const auto remarks = check.remarks();
  for (const core::MicrophoneRemark& r : remarks) fmt::print("{}", show::wrapped("! ", show::advice(r), columns(STDOUT_FILENO)));
  if (remarks.empty()) fmt::print("The microphone hears well: level, lows and gain are good.\n");
  return remarks.empty() ? ExitStatus::no_miss : ExitStatus::unclear;
}

ExitStatus listen(ListenOptions& options) {
  if (options.rate) options.capture.rate = Hertz{*options.rate};

  take_over_signals();
  if (options.microphone_check) return check_microphone(options.capture);
  const auto engine = options.engine.engine();
  if (!engine) {
    complain(engine.error());
    return ExitStatus::trouble;
  }
  const auto how = hear_options(options.engine, std::nullopt);
  if (!how) {
    complain(how.error());
    return ExitStatus::trouble;
  }
  if (options.seconds && !(*options.seconds > 0.0 && *options.seconds <= longest_s)) {
    complain({ErrorCode::bad_argument, fmt::format("--seconds {}: no such length", *options.seconds),
              "give seconds, for example --seconds 20"});
    return ExitStatus::trouble;
  }
  tell_assumed_order(options.engine, *engine);
  fmt::print(stderr, "{}", show::wrapped("", show::recording_caution(), columns(STDERR_FILENO)));
  ListenerOptions listening = how->listener;
  if (!options.known_good.empty()) {
    auto known_good = learn(options.known_good, *engine, *how);
    if (!known_good) {
      complain(known_good.error());
      return ExitStatus::trouble;
    }
    listening.known_good = std::move(*known_good);
  }
  const std::string& job = options.engine.job;
  std::optional<Seconds> longest;
  if (options.seconds) longest = Seconds{*options.seconds};
  auto opened_take = open_take(*engine, options.capture, listening, options.save, job, longest);
  if (!opened_take) {
    complain(opened_take.error());
    return ExitStatus::trouble;
  }
  LiveTake& take = *opened_take;

  const bool lines = options.json || ::isatty(STDOUT_FILENO) == 0;
  Ended ended;
  std::unique_ptr<TerminalScreen> screen;
  if (!lines) {
    if (auto opened = TerminalScreen::open()) {
      screen = std::move(*opened);
    } else {
      ended.trouble = opened.error();
    }
  }
  if (!ended.trouble) {
    if (auto started = take.capture->start(take.ear->queue()); !started) ended.trouble = started.error();
  }
  if (!ended.trouble) {
    DeviceWatch watch{*take.capture};
    ended = lines ? follow_in_lines(*take.ear, watch, *engine, take.path)
                  : follow_on_screen(*take.ear, watch, *engine, take.path, take.capture->device().name, *screen);
  }
  screen.reset();
  if (!close_take(take, ended)) {
    complain(*ended.trouble);
    return ExitStatus::trouble;
  }

  const Judged& last = take.ear->last();
  const show::Report report{take.path, *engine, last.whole, how->listener.speed_guess};
  if (lines) {
    fmt::print("{}\n", show::to_live_json(report, last.last_seconds.recent, false));
  } else if (!ended.quietly) {
    fmt::print("{}", show::to_text(report, text_options()));
  }
  std::fflush(stdout);
  for (const core::MicrophoneRemark& r : last.remarks) {
    fmt::print(stderr, "{}", show::wrapped("Microphone: ", show::advice(r), columns(STDERR_FILENO)));
  }
  tell_take(take);
  const bool noted = note_in_job(job, "listen", {take.path}, show::to_json(report), !lines);
  if (ended.trouble) complain(*ended.trouble);
  return ended.trouble || !noted ? ExitStatus::trouble : status_of(last.whole.verdict);
}

}  // namespace

void add_listen(CLI::App& program, Action& chosen) {
  const auto options = std::make_shared<ListenOptions>();
  CLI::App* command = program.add_subcommand(
      "listen", "Listen with a microphone: the answer while it forms, the take kept as WAV");
  options->engine.add_to(*command);
  command->add_option("--device", options->capture.device,
                      "Microphone: number or part of its name; `pipebeat devices` lists them")
      ->type_name("NAME|NO");
  command->add_option("--channel", options->capture.channel, "Channel to record, from 1; default 1");
  command->add_option("--rate", options->rate, "Samples a second; default the device's own")
      ->type_name("HZ");
  command->add_option("--seconds", options->seconds, "End by itself after so long")->type_name("S");
  command->add_option("--save", options->save,
                      "Keep the take here; default take-DATE-TIME.wav, with --job in its recordings")
      ->type_name("FILE");
  command
      ->add_option("--known-good", options->known_good,
                   "A recording of the same engine running well, to judge against")
      ->type_name("REC");
  command->add_flag("--json", options->json,
                    "One JSON object a second, as when standard output is no terminal");
  command->add_flag("--microphone-check", options->microphone_check,
                    "Listen for 5 s, keep nothing, say what to change (exit status 0 or 3)");
  command->footer(fmt::format(
      "Ctrl-C ends the take and gives the answer.\n"
      "Exit status: 0 no miss, 1 a miss, 2 trouble, 3 unclear.\n"
      "Example: pipebeat listen --cylinders 4 --seconds 20 --save van.wav\n\n{}\n{}",
      show::recording_caution(), show::workshop_caution()));
  command->callback([&chosen, options] { chosen = [options] { return listen(*options); }; });
}

}  // namespace pipebeat::cli
