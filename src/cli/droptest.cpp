// pipebeat droptest: which cylinder changes nothing when it is unplugged.
#include <fmt/format.h>
#include <unistd.h>

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "audio/reader.hpp"
#include "cli/command.hpp"
#include "cli/engine_options.hpp"
#include "cli/guided.hpp"
#include "cli/hear.hpp"
#include "cli/job_note.hpp"
#include "cli/marks.hpp"
#include "pipebeat/droptest.hpp"
#include "show/droptest.hpp"

namespace pipebeat::cli {

namespace {

constexpr double settle_s = 1.2;       // a mark is set by hand, and the speed takes time to settle
constexpr double before_mark_s = 0.4;
constexpr double shortest_stretch_s = 2.0;

struct DroptestOptions {
  std::string take;
  std::string marks;
  std::vector<std::string> baselines;
  std::vector<std::string> off;
  EngineOptions engine;
  std::optional<int> channel;
  bool json = false;
  bool live = false;
  std::string device;
  std::string save;
};

using Stretches = Result<std::vector<DropStretch>>;

/// Hears one stretch. Two cylinders off can look like half the speed or twice of it, which unplugging
/// one never brings about: such a stretch is heard again near the `usual` speed.
Result<Heard> hear_stretch(const std::string& path, const Engine& engine, const HearOptions& how, std::optional<Rpm> usual) {
  auto heard = hear(path, engine, how);
  if (!heard || !usual || how.listener.speed_guess || path == "-") return heard;
  const auto speed = heard->listener.finding().speed;
  if (!speed || !is_multiple(speed->mean, *usual)) return heard;
  HearOptions same = how;
  same.channel = heard->channel;
  return hear_near(path, engine, same, *usual);
}

Stretches from_files(const DroptestOptions& options, const Engine& engine, const HearOptions& how) {
  std::vector<std::pair<int, std::string>> files;
  for (const std::string& path : options.baselines) files.emplace_back(0, path);
  for (const std::string& text : options.off) {
    auto file = parse_off_file(text, engine, "--off");
    if (!file) return tl::unexpected(file.error());
    files.push_back(std::move(*file));
  }
  std::vector<DropStretch> out;
  std::vector<HeardBefore> before;
  std::optional<Rpm> usual;
  for (const auto& [cylinder, path] : files) {
    const auto heard = hear_stretch(path, engine, how, usual);
    if (!heard) return tl::unexpected(heard.error());
    if (const auto another = expect_another(path, heard->listener, before); !another) return tl::unexpected(another.error());
    out.push_back({cylinder, heard->listener.finding(), heard->listener.cycles()});
    if (!usual && out.back().finding.speed) usual = out.back().finding.speed->mean;
  }
  return out;
}

/// Length of a recording, where its file says it.
std::optional<double> length_s(const std::string& path) {
  const auto reader = audio::AudioReader::open(path);
  if (!reader || !reader->frames()) return std::nullopt;
  return static_cast<double>(reader->frames()->value()) / reader->sample_rate().value();
}

Stretches from_take(const DroptestOptions& options, const Engine& engine, const HearOptions& how) {
  const auto marks = options.marks.empty() ? marks_of_cues(options.take, engine)
                                           : parse_marks(options.marks, engine);
  if (!marks) return tl::unexpected(marks.error());
  const std::optional<double> end = length_s(options.take);
  std::vector<DropStretch> out;
  std::optional<Rpm> usual;
  HearOptions stretch = how;
  for (std::size_t i = 0; i <= marks->size(); ++i) {
    stretch.from_s = i == 0 ? 0.0 : (*marks)[i - 1].at.value() + settle_s;
    stretch.to_s = i < marks->size() ? (*marks)[i].at.value() - before_mark_s
                                     : std::numeric_limits<double>::infinity();
    // A take that ends right after its last mark has nothing to say of it.
    if (i == marks->size() && end && *end > (*marks)[i - 1].at.value() && *end < stretch.from_s + shortest_stretch_s) break;
    // A mark at the very start leaves nothing before it.
    if (stretch.to_s - stretch.from_s < shortest_stretch_s) {
      if (i == 0) continue;
      return fail(ErrorCode::bad_argument,
                  fmt::format("{}: too little time between the mark at {:g} s and the next", options.take,
                              (*marks)[i - 1].at.value()),
                  fmt::format("leave at least {:.0f} s between two marks",
                              settle_s + before_mark_s + shortest_stretch_s));
    }
    const auto heard = hear_stretch(options.take, engine, stretch, usual);
    if (!heard) return tl::unexpected(heard.error());
    stretch.channel = heard->channel;
    out.push_back({i == 0 ? 0 : (*marks)[i - 1].unplugged, heard->listener.finding(), heard->listener.cycles()});
    if (!usual && out.back().finding.speed) usual = out.back().finding.speed->mean;
  }
  return out;
}

std::vector<std::string> recordings_of(const DroptestOptions& options) {
  if (!options.take.empty()) return {options.take};
  std::vector<std::string> paths = options.baselines;
  for (const std::string& text : options.off) paths.push_back(text.substr(text.find('=') + 1));
  return paths;
}

ExitStatus run(const DroptestOptions& options);

/// Records the guided test, then answers from the take as from any other.
ExitStatus run_live(const DroptestOptions& options) {
  if (!options.take.empty() || !options.off.empty() || !options.baselines.empty() || !options.marks.empty()) {
    complain({ErrorCode::bad_argument, "--live records a take of its own",
              "leave out TAKE, --marks, --baseline and --off"});
    return ExitStatus::trouble;
  }
  const auto engine = options.engine.engine();
  if (!engine) {
    complain(engine.error());
    return ExitStatus::trouble;
  }
  if (!has_others(*engine, "droptest")) return ExitStatus::trouble;
  audio::CaptureOptions microphone;
  microphone.device = options.device;
  if (options.channel) microphone.channel = *options.channel;
  const auto take = guided_drop_test(*engine, options.engine, microphone, options.save);
  if (!take) {
    complain(take.error());
    return ExitStatus::trouble;
  }
  if (!*take) return ExitStatus::unclear;
  DroptestOptions recorded = options;
  recorded.live = false;
  recorded.take = **take;
  recorded.channel.reset();
  recorded.device.clear();
  recorded.save.clear();
  return run(recorded);
}

ExitStatus run(const DroptestOptions& options) {
  if (options.live) return run_live(options);
  if (!options.device.empty() || !options.save.empty()) {
    complain({ErrorCode::bad_argument, "--device and --save belong to --live", "add --live, or leave them out"});
    return ExitStatus::trouble;
  }
  const bool files = !options.off.empty() || !options.baselines.empty();
  if (files == !options.take.empty() || (files && (options.off.empty() || options.baselines.empty()))) {
    complain({ErrorCode::bad_argument, "droptest needs a baseline and the cylinders unplugged one by one",
              "give --baseline b.wav --off 1=a.wav --off 2=c.wav ..., one TAKE with --marks, or --live"});
    return ExitStatus::trouble;
  }
  if (options.take == "-") {
    complain({ErrorCode::bad_argument, "droptest reads a take several times, standard input can't be",
              "save it to a file first"});
    return ExitStatus::trouble;
  }
  const auto engine = options.engine.engine();
  const auto how = hear_options(options.engine, options.channel);
  if (!engine || !how) {
    complain(engine ? how.error() : engine.error());
    return ExitStatus::trouble;
  }
  if (!has_others(*engine, "droptest")) return ExitStatus::trouble;
  const auto stretches = files ? from_files(options, *engine, *how) : from_take(options, *engine, *how);
  if (!stretches) {
    complain(stretches.error());
    return ExitStatus::trouble;
  }
  const DropTest test = judge_drop_test(*engine, *stretches);
  const auto assumed = options.engine.assumed_order(*engine);
  const std::string json = show::to_json(test, assumed);
  fmt::print("{}", options.json ? json + '\n'
                                : show::to_text(test, text_options(), assumed));
  if (!note_in_job(options.engine.job, "droptest", recordings_of(options), json, !options.json)) {
    return ExitStatus::trouble;
  }
  if (!test.dead) return ExitStatus::unclear;
  return test.dead->empty() ? ExitStatus::no_miss : ExitStatus::miss;
}

}  // namespace

void add_droptest(CLI::App& program, Action& chosen) {
  const auto options = std::make_shared<DroptestOptions>();
  CLI::App* command = program.add_subcommand(
      "droptest", "Name the dead cylinder: the one whose unplugging changes nothing");
  command->add_option("TAKE", options->take, "One recording in which they are unplugged one by one")
      ->type_name("");
  command
      ->add_option("--marks", options->marks,
                   "When what was unplugged in TAKE: seconds:cylinder, or on; default its cue points")
      ->type_name("10:1,20:on,...");
  command->add_option("--baseline", options->baselines, "Recording with everything plugged in")
      ->type_name("REC");
  command->add_option("--off", options->off, "A cylinder and the recording with it unplugged")
      ->type_name("CYL=REC");
  command->add_flag("--live", options->live,
                    "Guided, with the microphone: it asks for one cylinder at a time and records it all");
  command->add_option("--device", options->device, "With --live: microphone, number or part of its name")
      ->type_name("NAME|NO");
  command->add_option("--save", options->save, "With --live: keep the take here; default a dated name")
      ->type_name("FILE");
  options->engine.add_to(*command);
  command->add_option("--channel", options->channel,
                      "Channel to listen to, from 1; default the one with the most beat");
  command->add_flag("--json", options->json, "One JSON object");
  command->footer(std::string{show::unplugging_caution()} +
                  "\n\nExit status: 0 none dead, 1 a dead one named, 2 trouble, 3 unclear.\n"
                  "Example: pipebeat droptest --engine inline4 van.wav --marks 10:1,20:on,30:3");
  command->callback([&chosen, options] { chosen = [options] { return run(*options); }; });
}

}  // namespace pipebeat::cli
