// pipebeat check: does the engine in these recordings miss?
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <memory>
#include <filesystem>
#include <optional>
#include <string>
#include <thread>
#include <vector>

#include "audio/marked_copy.hpp"
#include "audio/new_file.hpp"
#include "cli/command.hpp"
#include "cli/engine_options.hpp"
#include "cli/hear.hpp"
#include "cli/in_order.hpp"
#include "cli/job_note.hpp"
#include "show/beat_rows.hpp"
#include "show/csv.hpp"
#include "show/html.hpp"
#include "show/json.hpp"
#include "show/paragraphs.hpp"
#include "show/text.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

struct CheckOptions {
  std::vector<std::string> recordings;
  EngineOptions engine;
  std::optional<int> channel;
  std::string known_good;
  std::string report;
  std::string events;
  std::string marked;
  std::optional<int> jobs;
  bool json = false;
};

/// What was heard in one recording.
struct Checked {
  Finding finding;
  int channel = 1;
  bool broke_off = false;
};

Result<Checked> check_one(const std::string& recording, const Engine& engine, const HearOptions& options) {
  const auto heard = hear(recording, engine, options);
  if (!heard) return tl::unexpected(heard.error());
  return Checked{heard->listener.finding(), heard->channel, heard->broke_off};
}

/// Empty for standard input, and where the file can't be asked.
std::optional<std::chrono::sys_seconds> last_written(const std::string& recording) {
  struct stat status {};
  if (recording == "-" || ::stat(recording.c_str(), &status) != 0 || !S_ISREG(status.st_mode)) return std::nullopt;
  return std::chrono::sys_seconds{std::chrono::seconds{status.st_mtime}};
}

/// The recording with a tick on each missing event.
Result<void> write_marked(const CheckOptions& options, const show::Report& report, int channel) {
  std::vector<audio::Mark> marks;
  for (const Event& e : show::shown_events(report.finding)) {
    if (!show::is_missing(report.finding, e)) continue;
    marks.push_back({Seconds{static_cast<double>(e.time_s)}, e.position});
  }
  const auto earlier = [](const audio::Mark& a, const audio::Mark& b) { return a.time < b.time; };
  std::stable_sort(marks.begin(), marks.end(), earlier);
  return audio::write_marked_copy(options.recordings.front(), channel, marks, options.marked);
}

/// Writes the files asked for; says what failed and goes on with the others.
bool write_files(const CheckOptions& options, const show::Report& report, int channel) {
  bool good = true;
  const auto note = [&](const Result<void>& done) {
    if (done) return;
    complain(done.error());
    good = false;
  };
  if (!options.report.empty()) note(audio::write_file(options.report, show::to_html(report)));
  if (!options.events.empty()) note(audio::write_file(options.events, show::to_csv(report)));
  if (!options.marked.empty()) note(write_marked(options, report, channel));
  const auto expected = report.finding.expected_events.value_or(0);
  const auto listed = static_cast<std::int64_t>(report.finding.events.size());
  if (good && !options.json) {
    std::string written;
    for (const std::string* file : {&options.report, &options.events, &options.marked}) {
      if (!file->empty()) written += (written.empty() ? "" : ", ") + show::one_line(*file);
    }
    if (!written.empty()) fmt::print("\n{}", show::wrapped("  ", "Written: " + written, columns(STDOUT_FILENO)));
  }
  if (good && !(options.events.empty() && options.marked.empty()) && listed < expected) {
    tell("pipebeat: ", show::one_line(fmt::format("{}: the first {} of {} pulses are listed and marked",
                                                  options.recordings.front(), listed, expected)));
  }
  return good;
}

/// What the user recorded is never written over, nor one output by the next. Complains and returns
/// false otherwise.
bool outputs_are_safe(const CheckOptions& options) {
  std::vector<std::pair<std::string, std::string>> taken;
  for (const std::string& recording : options.recordings) taken.emplace_back("the recording itself", recording);
  if (!options.known_good.empty()) taken.emplace_back("the known-good recording", options.known_good);
  for (const auto& [name, file] : {std::pair{"--report", &options.report},
                                   {"--events", &options.events},
                                   {"--marked", &options.marked}}) {
    if (file->empty()) continue;
    for (const auto& [what, path] : taken) {
      std::error_code no_such_file;
      if (path != *file && !std::filesystem::equivalent(path, *file, no_such_file)) continue;
      complain({ErrorCode::bad_argument, fmt::format("{} {}: that is {}", name, show::one_line(*file), what),
                "give it another name"});
      return false;
    }
    if (const auto spared = audio::spare_originals(*file); !spared) {
      complain(spared.error());
      return false;
    }
    taken.emplace_back(fmt::format("the file of {}", name), *file);
  }
  return true;
}

ExitStatus check(const CheckOptions& options) {
  if (options.recordings.size() > 1) {
    for (const auto& [name, file] : {std::pair{"--report", &options.report},
                                     {"--events", &options.events},
                                     {"--marked", &options.marked}}) {
      if (file->empty()) continue;
      complain(
          {ErrorCode::bad_argument,
           fmt::format("{} {}: one file for {} recordings", name, *file, options.recordings.size()),
           "check the recordings one by one to write files about them"});
      return ExitStatus::trouble;
    }
  }
  if (options.jobs && *options.jobs < 1) {
    complain({ErrorCode::bad_argument, fmt::format("--jobs {}: nobody would listen", *options.jobs),
              "give 1 or more, or leave it out"});
    return ExitStatus::trouble;
  }
  if (!outputs_are_safe(options)) return ExitStatus::trouble;
  const auto engine = options.engine.engine();
  if (!engine) {
    complain(engine.error());
    return ExitStatus::trouble;
  }
  auto how = hear_options(options.engine, options.channel);
  if (!how) {
    complain(how.error());
    return ExitStatus::trouble;
  }
  tell_assumed_order(options.engine, *engine);
  if (!options.known_good.empty()) {
    HearOptions reference = *how;
    reference.channel.reset();
    auto known_good = learn(options.known_good, *engine, reference);
    if (!known_good) {
      complain(known_good.error());
      return ExitStatus::trouble;
    }
    how->listener.known_good = std::move(*known_good);
  }
  if (options.recordings.size() > 1) how->progress = false;  // several would draw over each other

  show::TextOptions text = text_options();
  text.beat_map = ::isatty(STDOUT_FILENO) != 0;
  ExitStatus status = ExitStatus::no_miss;
  bool first = true;
  const auto say = [&](const std::string& recording, const Result<Checked>& checked) {
    if (!checked) {
      complain(checked.error());
      status = worst(status, ExitStatus::trouble);
      return;
    }
    const Finding& finding = checked->finding;
    if (checked->broke_off) {
      tell("pipebeat: ", show::one_line(fmt::format("{}: damaged after {:.1f} s; judged what comes before", recording,
                                                    finding.duration.value())));
    }
    const show::Report report{recording, *engine, finding, how->listener.speed_guess, last_written(recording)};
    if (options.json) {
      fmt::print("{}\n", show::to_json(report));
    } else {
      fmt::print("{}{}", first ? "" : "\n", show::to_text(report, text));
    }
    std::fflush(stdout);
    if (!note_in_job(options.engine.job, "check", {recording}, show::to_json(report),
                     !options.json && &recording == &options.recordings.back())) {
      status = worst(status, ExitStatus::trouble);
    }
    first = false;
    status = worst(status, status_of(finding.verdict));
    if (!write_files(options, report, checked->channel)) status = ExitStatus::trouble;
  };
  const auto jobs = options.jobs ? static_cast<std::size_t>(*options.jobs)
                                 : std::max<std::size_t>(1, std::thread::hardware_concurrency());
  const auto& recordings = options.recordings;
  in_order(
      recordings.size(), std::min(jobs, recordings.size()),
      [&](std::size_t i) { return check_one(recordings[i], *engine, *how); },
      [&](std::size_t i, const Result<Checked>& checked) { say(recordings[i], checked); });
  return status;
}

}  // namespace

void add_check(CLI::App& program, Action& chosen) {
  const auto options = std::make_shared<CheckOptions>();
  CLI::App* command = program.add_subcommand(
      "check", "Judge recordings: does the engine miss, how badly, how sure");
  command->add_option("REC", options->recordings, "Recordings; - is standard input")
      ->type_name("")
      ->required();
  options->engine.add_to(*command);
  command->add_option("--channel", options->channel,
                      "Channel to listen to, from 1; default the one with the most beat");
  command
      ->add_option("--known-good", options->known_good,
                   "A recording of the same engine running well, to judge against")
      ->type_name("REC");
  command
      ->add_option("--jobs", options->jobs,
                   "Recordings heard at a time; default one for each processor")
      ->type_name("N");
  command->add_flag("--json", options->json, "One JSON object a line for each recording");
  const std::string files = "Files";
  command->add_option("--report", options->report, "Write words and pictures as one HTML page")
      ->type_name("FILE.html")
      ->group(files);
  command->add_option("--events", options->events, "Write every pulse as a line of CSV")
      ->type_name("FILE.csv")
      ->group(files);
  command
      ->add_option("--marked", options->marked,
                   "Write the recording with a tick on each missing pulse in channel 2")
      ->type_name("FILE.wav")
      ->group(files);
  command->footer(
      "Exit status: 0 no miss, 1 a miss, 2 trouble, 3 unclear.\n"
      "Example: pipebeat check --cylinders 4 van.wav\n"
      "         pipebeat check --cylinders 4 --report van.html --marked out.wav van.wav");
  command->callback([&chosen, options] { chosen = [options] { return check(*options); }; });
}

}  // namespace pipebeat::cli
