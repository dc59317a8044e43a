// pipebeat locate: the dead cylinder by one unplugging of a good one.
#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <memory>
#include <string>
#include <vector>

#include "cli/command.hpp"
#include "cli/engine_options.hpp"
#include "cli/hear.hpp"
#include "cli/job_note.hpp"
#include "cli/marks.hpp"
#include "pipebeat/droptest.hpp"
#include "show/droptest.hpp"

namespace pipebeat::cli {

namespace {

struct LocateOptions {
  std::vector<std::string> takes;
  std::vector<std::string> off;
  std::string marks;
  EngineOptions engine;
  std::optional<int> channel;
  bool json = false;
};

/// A recording and what was unplugged in it.
struct Plan {
  std::string path;
  std::vector<Mark> marks;
};

Result<std::vector<Plan>> plan(const LocateOptions& options, const Engine& engine) {
  std::vector<Plan> plans;
  for (const std::string& path : options.takes) plans.push_back({path, {}});
  std::vector<Mark> in_take;
  for (const std::string& text : options.off) {
    if (text.find('=') != std::string::npos) {
      auto file = parse_off_file(text, engine, "--off");
      if (!file) return tl::unexpected(file.error());
      plans.push_back({file->second, {Mark{Seconds{0.0}, file->first}}});
      continue;
    }
    const auto mark = parse_off_at(text, engine);
    if (!mark) return tl::unexpected(mark.error());
    in_take.push_back(*mark);
  }
  if (!options.marks.empty()) {
    const auto marks = parse_marks(options.marks, engine);
    if (!marks) return tl::unexpected(marks.error());
    in_take.insert(in_take.end(), marks->begin(), marks->end());
  }
  std::stable_sort(in_take.begin(), in_take.end(),
                   [](const Mark& a, const Mark& b) { return a.at < b.at; });
  if (!in_take.empty()) {
    if (options.takes.size() != 1) {
      return fail(ErrorCode::bad_argument, "--off CYL@SECONDS and --marks belong to one take",
                  "give one recording with them");
    }
    plans.front().marks = in_take;
  } else if (options.takes.size() == 1 && options.off.empty()) {
    auto marks = marks_of_cues(options.takes.front(), engine);
    if (!marks) return tl::unexpected(marks.error());
    plans.front().marks = std::move(*marks);
  }
  const bool any = std::any_of(plans.begin(), plans.end(), [](const Plan& p) { return !p.marks.empty(); });
  if (!any) {
    return fail(ErrorCode::bad_argument, "nothing says which cylinder was unplugged",
                "give TAKE --off 1@10, or TAKE --off 1=unplugged.wav");
  }
  return plans;
}

ExitStatus run(const LocateOptions& options) {
  const auto engine = options.engine.engine();
  const auto how = hear_options(options.engine, options.channel);
  if (!engine || !how) {
    complain(engine ? how.error() : engine.error());
    return ExitStatus::trouble;
  }
  const auto plans = plan(options, *engine);
  if (!plans) {
    complain(plans.error());
    return ExitStatus::trouble;
  }
  std::vector<LocateTake> takes;
  for (const Plan& p : *plans) {
    const auto heard = hear(p.path, *engine, *how);
    if (!heard) {
      complain(heard.error());
      return ExitStatus::trouble;
    }
    takes.push_back({heard->listener.finding(), p.marks});
  }
  const Location location = locate(*engine, takes);
  const std::string json = show::to_json(location);
  fmt::print("{}", options.json ? json + '\n'
                                : show::to_text(location, show::TextOptions{wants_colour(STDOUT_FILENO)}));
  std::vector<std::string> paths;
  for (const Plan& p : *plans) paths.push_back(p.path);
  if (!note_in_job(options.engine.job, "locate", paths, json)) return ExitStatus::trouble;
  if (!location.answered) return ExitStatus::unclear;
  return location.candidates.empty() ? ExitStatus::no_miss : ExitStatus::miss;
}

}  // namespace

void add_locate(CLI::App& program, Action& chosen) {
  const auto options = std::make_shared<LocateOptions>();
  CLI::App* command = program.add_subcommand(
      "locate", "Name the dead cylinder by unplugging one good cylinder during a recording");
  command
      ->add_option("TAKE", options->takes,
                   "A recording in which a good cylinder is unplugged partway, or one with everything "
                   "plugged in")
      ->type_name("");
  command
      ->add_option("--off", options->off,
                   "Cylinder unplugged from a time on, or in a recording of its own")
      ->type_name("CYL@SECONDS|CYL=REC");
  command
      ->add_option("--marks", options->marks,
                   "All that was unplugged in TAKE: seconds:cylinder, or on; default its cue points")
      ->type_name("10:1,20:on,...");
  options->engine.add_to(*command);
  command->add_option("--channel", options->channel,
                      "Channel to listen to, from 1; default the one with the most beat");
  command->add_flag("--json", options->json, "One JSON object");
  command->footer(std::string{show::unplugging_caution()} +
                  "\n\nExit status: 0 none dead, 1 a dead one named, 2 trouble, 3 unclear.\n"
                  "Example: pipebeat locate --cylinders 4 --order 1-3-4-2 van.wav --off 1@10");
  command->callback([&chosen, options] { chosen = [options] { return run(*options); }; });
}

}  // namespace pipebeat::cli
