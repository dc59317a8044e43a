// pipebeat job next, show, sheet, table: what a job says.
#include <fmt/format.h>
#include <unistd.h>

#include <cstdio>
#include <memory>
#include <string>
#include <vector>

#include "audio/new_file.hpp"
#include "cli/hear.hpp"
#include "cli/job_commands.hpp"
#include "job/diagnose.hpp"
#include "job/files.hpp"
#include "job/store.hpp"
#include "job/table.hpp"
#include "show/job.hpp"
#include "show/sheet.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

struct ViewOptions {
  std::string folder;
  std::string table;
  std::vector<std::string> tools;
  std::string output;
  bool json = false;
};

struct Opened {
  JobCard card;
  job::Table table;
  std::vector<std::string> tools;
};

Result<Opened> open(const ViewOptions& options) {
  auto card = job::load(options.folder);
  if (!card) return tl::unexpected(card.error());
  auto table = job::load_table(options.table, options.folder);
  if (!table) return tl::unexpected(table.error());
  const auto& tools = options.tools.empty() ? card->tools : options.tools;
  if (const auto known = table->know(tools); !known) return tl::unexpected(known.error());
  return Opened{std::move(*card), std::move(*table), tools};
}

ExitStatus trouble(const Error& error) {
  complain(error);
  return ExitStatus::trouble;
}

ExitStatus next(const ViewOptions& options) {
  const auto opened = open(options);
  if (!opened) return trouble(opened.error());
  const Diagnosis diagnosis = job::diagnose(opened->card, opened->table, opened->tools);
  if (options.json) {
    fmt::print("{}\n", show::next_json(opened->card, diagnosis));
  } else {
    fmt::print("{}", show::next_text(opened->card, diagnosis,
                                     {show::as_argument(options.folder), wants_colour(STDOUT_FILENO), columns(STDOUT_FILENO)}));
  }
  return ExitStatus::no_miss;
}

ExitStatus show_card(const ViewOptions& options) {
  const auto opened = open(options);
  if (!opened) return trouble(opened.error());
  const Diagnosis diagnosis = job::diagnose(opened->card, opened->table, opened->tools);
  fmt::print("{}", show::to_text(opened->card, diagnosis,
                                 {show::as_argument(options.folder), wants_colour(STDOUT_FILENO), columns(STDOUT_FILENO)}));
  return ExitStatus::no_miss;
}

/// The job's recordings, heard again for their pictures; those that are gone are left out.
std::vector<show::SheetRecording> hear_again(const JobCard& card, const std::string& folder) {
  // A sheet is one to four pages: the first recordings and the last ones tell the story.
  constexpr std::size_t most = 4;
  std::vector<const JobEntry*> entries;
  for (const JobEntry* e : card.standing()) {
    const bool one_recording = e->kind == JobEntry::Kind::finding && e->recordings.size() == 1 &&
                               (e->command == "check" || e->command == "listen");
    if (one_recording) entries.push_back(e);
  }
  if (entries.size() > most) {
    entries.erase(entries.begin() + most / 2,
                  entries.end() - static_cast<std::ptrdiff_t>(most / 2));
  }
  std::vector<show::SheetRecording> out;
  const auto engine = Engine::make(card.engine);
  if (!engine) return out;
  for (const JobEntry* e : entries) {
    const std::string& name = e->recordings.front();
    if (name == "standard input") continue;
    const std::string path = name.starts_with('/') ? name : job::path_in(folder, name);
    const auto heard = hear(path, *engine, {});
    if (!heard) {
      tell("pipebeat: ", fmt::format("warning: {}; the sheet has no picture of it", show::one_line(heard.error().what)));
      continue;
    }
    out.push_back({e->id, *engine, heard->listener.finding()});
  }
  return out;
}

ExitStatus sheet(const ViewOptions& options) {
  const auto opened = open(options);
  if (!opened) return trouble(opened.error());
  show::SheetContent content{opened->card, hear_again(opened->card, options.folder), {}, job::now()};
  for (const JobEntry* e : opened->card.standing()) {
    if (e->kind != JobEntry::Kind::work) continue;
    content.conclusions.push_back(
        {e->id, job::diagnose(job::before(opened->card, e->id), opened->table, opened->tools)});
  }
  content.conclusions.push_back({0, job::diagnose(opened->card, opened->table, opened->tools)});
  const std::string html = show::to_sheet(content);
  if (options.output == "-") {
    fmt::print("{}", html);
    return ExitStatus::no_miss;
  }
  if (const auto written = audio::write_file(options.output, html); !written) {
    return trouble(written.error());
  }
  fmt::print("Sheet written to {}; open it in a browser and print it.\n",
             show::one_line(options.output));
  return ExitStatus::no_miss;
}

ExitStatus table(const ViewOptions& options) {
  if (options.folder.empty()) {
    fmt::print("{}", job::builtin_table_text());
    return ExitStatus::no_miss;
  }
  if (const auto card = job::load(options.folder); !card) return trouble(card.error());
  const std::string path = job::path_in(options.folder, job::table_name);
  if (job::read_file(path)) {
    return trouble({ErrorCode::bad_argument, path + ": there already",
                    "edit that one, or move it away first"});
  }
  const auto written =
      job::write_file(path, job::builtin_table_text(), job::Existing::refuse);
  if (!written) return trouble(written.error());
  fmt::print("Table written to {}; this job uses it from now on.\n", show::one_line(path));
  return ExitStatus::no_miss;
}

CLI::App* add_view(CLI::App& job, const std::string& name, const std::string& help,
                   const std::shared_ptr<ViewOptions>& options) {
  CLI::App* command = job.add_subcommand(name, help);
  command->add_option("DIR", options->folder, "The job folder")->type_name("")->required();
  command
      ->add_option("--tools", options->tools,
                   "Tools you own, e.g. stethoscope,signal_light; default those of the job, or all")
      ->type_name("TOOLS")
      ->delimiter(',')
      ->allow_extra_args(false);
  command->add_option("--table", options->table, "Another table of likelihoods")->type_name("FILE");
  return command;
}

}  // namespace

void add_job_views(CLI::App& job, Action& chosen) {
  auto options = std::make_shared<ViewOptions>();
  CLI::App* command = add_view(job, "next", "Causes so far, and the test to do next", options);
  command->add_flag("--json", options->json, "One JSON object, schema pipebeat.next/1");
  command->footer("Exit status: 0 answered, 2 trouble.\nExample: pipebeat job next van");
  command->callback([&chosen, options] { chosen = [options] { return next(*options); }; });

  options = std::make_shared<ViewOptions>();
  command = add_view(job, "show", "The whole card: history, causes, next test", options);
  command->footer("Exit status: 0 shown, 2 trouble.\nExample: pipebeat job show van");
  command->callback([&chosen, options] { chosen = [options] { return show_card(*options); }; });

  options = std::make_shared<ViewOptions>();
  command = add_view(job, "sheet", "The card as one page to print or send", options);
  command->add_option("-o,--output", options->output, "The HTML file to write; - is standard output")
      ->type_name("FILE")
      ->required();
  command->footer("Exit status: 0 written, 2 trouble.\nExample: pipebeat job sheet van -o van.html");
  command->callback([&chosen, options] { chosen = [options] { return sheet(*options); }; });

  options = std::make_shared<ViewOptions>();
  command = job.add_subcommand("table", "The table of likelihoods, to read or to edit");
  command
      ->add_option("DIR", options->folder,
                   "A job folder to put a copy into, used from then on; without it, print the table")
      ->type_name("");
  command->footer("Exit status: 0 done, 2 trouble.\nExample: pipebeat job table van");
  command->callback([&chosen, options] { chosen = [options] { return table(*options); }; });
}

}  // namespace pipebeat::cli
