from jinja2.runtime import LoopContext, Macro, Markup, Namespace, TemplateNotFound, TemplateReference, TemplateRuntimeError, Undefined, escape, identity, internalcode, markup_join, missing, str_join
name = 'workspace.html'

def root(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    parent_template = None
    l_0_pieces = l_0_many = missing
    try:
        t_1 = environment.filters['count']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'count' found.")
    pass
    parent_template = environment.get_template('page.html', 'workspace.html')
    for name, parent_block in parent_template.blocks.items():
        context.blocks.setdefault(name, []).append(parent_block)
    l_0_pieces = context.vars['pieces'] = environment.get_template('pieces.html', 'workspace.html').make_module(context.get_all(), True, {'many': l_0_many, 'pieces': l_0_pieces})
    context.exported_vars.discard('pieces')
    def macro(l_1_shown, l_1_all, l_1_words):
        t_2 = []
        if l_1_shown is missing:
            l_1_shown = undefined("parameter 'shown' was not provided", name='shown')
        if l_1_all is missing:
            l_1_all = undefined("parameter 'all' was not provided", name='all')
        if l_1_words is missing:
            l_1_words = undefined("parameter 'words' was not provided", name='words')
        pass
        if (l_1_shown < l_1_all):
            pass
            t_2.extend((
                '<p>',
                escape(environment.finalize(l_1_words)),
                ' ',
                escape(environment.finalize(t_1(l_1_shown))),
                ' of ',
                escape(environment.finalize(t_1(l_1_all))),
                '.</p>',
            ))
        return concat(t_2)
    context.exported_vars.add('many')
    context.vars['many'] = l_0_many = Macro(environment, macro, 'many', ('shown', 'all', 'words'), False, False, False, context.eval_ctx.autoescape)
    yield from parent_template.root_render_func(context)

def block_lead(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_at = resolve('at')
    pass
    yield '<p class="soft">As of '
    yield escape(environment.finalize((undefined(name='at') if l_0_at is missing else l_0_at)))
    yield ' UTC. The service writes this page anew when something has changed.</p>\n'

def block_main(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_reasons = resolve('reasons')
    l_0_in_inbox = resolve('in_inbox')
    l_0_inbox = resolve('inbox')
    l_0_many = resolve('many')
    l_0_pieces = resolve('pieces')
    l_0_strays = resolve('strays')
    l_0_waiting = resolve('waiting')
    l_0_most = resolve('most')
    l_0_counts = resolve('counts')
    l_0_returned = resolve('returned')
    l_0_done = resolve('done')
    try:
        t_1 = environment.filters['count']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'count' found.")
    try:
        t_3 = environment.filters['length']
    except KeyError:
        @internalcode
        def t_3(*unused):
            raise TemplateRuntimeError("No filter named 'length' found.")
    pass
    if (undefined(name='reasons') if l_0_reasons is missing else l_0_reasons):
        pass
        yield '<section><h2>Needs a look</h2>\n<ul>'
        for l_1_reason in (undefined(name='reasons') if l_0_reasons is missing else l_0_reasons):
            _loop_vars = {}
            pass
            yield '<li>'
            yield escape(environment.finalize(l_1_reason))
            yield '</li>\n'
        l_1_reason = missing
        yield '</ul></section>\n'
    yield '\n<section><h2>In the inbox ('
    yield escape(environment.finalize(t_1((undefined(name='in_inbox') if l_0_in_inbox is missing else l_0_in_inbox))))
    yield ')</h2>\n'
    if (undefined(name='inbox') if l_0_inbox is missing else l_0_inbox):
        pass
        yield escape(environment.finalize(context.call((undefined(name='many') if l_0_many is missing else l_0_many), t_3((undefined(name='inbox') if l_0_inbox is missing else l_0_inbox)), (undefined(name='in_inbox') if l_0_in_inbox is missing else l_0_in_inbox), 'Those that lie there longest:', _block_vars=_block_vars)))
        yield '\n'
        def macro():
            t_4 = []
            pass
            t_4.extend((
                '<table class="decks">\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Deck', 'Job', 'Why it waits', 'Came (UTC)']))),
                '\n<tbody>',
            ))
            for l_2_row in (undefined(name='inbox') if l_0_inbox is missing else l_0_inbox):
                _loop_vars = {}
                pass
                t_4.extend((
                    '<tr><th scope="row">',
                    escape(environment.finalize(environment.getattr(l_2_row, 'deck'))),
                    '</th><td>',
                    escape(environment.finalize(environment.getattr(l_2_row, 'job'))),
                    '</td><td>',
                    escape(environment.finalize(environment.getattr(l_2_row, 'why'))),
                    '</td><td class="when">',
                    escape(environment.finalize(environment.getattr(l_2_row, 'since'))),
                    '</td></tr>\n',
                ))
            l_2_row = missing
            t_4.append(
                '</tbody></table>',
            )
            return concat(t_4)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Decks in the inbox', caller=caller, _block_vars=_block_vars)
    else:
        pass
        yield '<p>No deck lies there.</p>'
    if (undefined(name='strays') if l_0_strays is missing else l_0_strays):
        pass
        yield '<p>Not taken, since nobody is there to take it or it is no deck:</p>\n<ul>'
        for (l_1_place, l_1_why) in (undefined(name='strays') if l_0_strays is missing else l_0_strays):
            _loop_vars = {}
            pass
            yield '<li><code>'
            yield escape(environment.finalize(l_1_place))
            yield '</code> '
            yield escape(environment.finalize(l_1_why))
            yield '</li>\n'
        l_1_place = l_1_why = missing
        yield '</ul>'
    yield '</section>\n\n<section><h2>Waiting ('
    yield escape(environment.finalize(t_1(t_3((undefined(name='waiting') if l_0_waiting is missing else l_0_waiting)))))
    yield ')</h2>\n'
    if (undefined(name='waiting') if l_0_waiting is missing else l_0_waiting):
        pass
        yield escape(environment.finalize(context.call((undefined(name='many') if l_0_many is missing else l_0_many), t_3((undefined(name='waiting') if l_0_waiting is missing else l_0_waiting)[:(undefined(name='most') if l_0_most is missing else l_0_most)]), t_3((undefined(name='waiting') if l_0_waiting is missing else l_0_waiting)), 'The first', _block_vars=_block_vars)))
        yield '\n'
        def macro():
            t_5 = []
            pass
            t_5.extend((
                '<table class="decks">\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Deck', 'Job', 'State', 'Taken (UTC)']))),
                '\n<tbody>',
            ))
            for l_2_row in (undefined(name='waiting') if l_0_waiting is missing else l_0_waiting)[:(undefined(name='most') if l_0_most is missing else l_0_most)]:
                _loop_vars = {}
                pass
                t_5.extend((
                    '<tr><th scope="row">',
                    escape(environment.finalize(environment.getattr(l_2_row, 'deck'))),
                    '</th><td>',
                    escape(environment.finalize(environment.getattr(l_2_row, 'job'))),
                    '</td><td>',
                    escape(environment.finalize(environment.getattr(l_2_row, 'state'))),
                ))
                if environment.getattr(l_2_row, 'why'):
                    pass
                    t_5.extend((
                        ': ',
                        escape(environment.finalize(environment.getattr(l_2_row, 'why'))),
                    ))
                t_5.extend((
                    '</td><td class="when">',
                    escape(environment.finalize(environment.getattr(l_2_row, 'taken'))),
                    '</td></tr>\n',
                ))
            l_2_row = missing
            t_5.append(
                '</tbody></table>',
            )
            return concat(t_5)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Decks that wait', caller=caller, _block_vars=_block_vars)
    else:
        pass
        yield '<p>No deck waits.</p>'
    yield '</section>\n\n<section><h2>Returned ('
    yield escape(environment.finalize(t_1(environment.getattr((undefined(name='counts') if l_0_counts is missing else l_0_counts), 'returned'))))
    yield ')</h2>\n'
    if (undefined(name='returned') if l_0_returned is missing else l_0_returned):
        pass
        yield '<p>Whole decks that could not be run: look at the reason, put the deck right and drop it again.</p>\n'
        yield escape(environment.finalize(context.call((undefined(name='many') if l_0_many is missing else l_0_many), t_3((undefined(name='returned') if l_0_returned is missing else l_0_returned)), environment.getattr((undefined(name='counts') if l_0_counts is missing else l_0_counts), 'returned'), 'The latest', _block_vars=_block_vars)))
        yield '\n'
        def macro():
            t_6 = []
            pass
            t_6.extend((
                '<table class="decks">\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Deck', 'Job', 'Reason', 'Returned (UTC)']))),
                '\n<tbody>',
            ))
            for l_2_row in (undefined(name='returned') if l_0_returned is missing else l_0_returned):
                _loop_vars = {}
                pass
                t_6.extend((
                    '<tr><th scope="row">',
                    escape(environment.finalize(environment.getattr(l_2_row, 'deck'))),
                    '</th><td>',
                    escape(environment.finalize(environment.getattr(l_2_row, 'job'))),
                    '</td><td>',
                ))
                if environment.getattr(l_2_row, 'folder'):
                    pass
                    t_6.extend((
                        '<a href="',
                        escape(environment.finalize(environment.getattr(l_2_row, 'folder'))),
                        '/reasons.txt">',
                        escape(environment.finalize((environment.getattr(l_2_row, 'why') or 'see the file'))),
                        '</a>',
                    ))
                else:
                    pass
                    t_6.extend((
                        escape(environment.finalize(environment.getattr(l_2_row, 'why'))),
                        '; the run is no longer here',
                    ))
                t_6.extend((
                    '</td><td class="when">',
                    escape(environment.finalize(environment.getattr(l_2_row, 'ended'))),
                    '</td></tr>\n',
                ))
            l_2_row = missing
            t_6.append(
                '</tbody></table>',
            )
            return concat(t_6)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Decks that were returned', caller=caller, _block_vars=_block_vars)
    else:
        pass
        yield '<p>No deck was returned.</p>'
    yield '</section>\n\n<section><h2>Done ('
    yield escape(environment.finalize(t_1(environment.getattr((undefined(name='counts') if l_0_counts is missing else l_0_counts), 'done'))))
    yield ')</h2>\n'
    if (undefined(name='done') if l_0_done is missing else l_0_done):
        pass
        if (t_3((undefined(name='done') if l_0_done is missing else l_0_done)) < environment.getattr((undefined(name='counts') if l_0_counts is missing else l_0_counts), 'done')):
            pass
            yield '<p>The latest '
            yield escape(environment.finalize(t_1(t_3((undefined(name='done') if l_0_done is missing else l_0_done)))))
            yield ' of '
            yield escape(environment.finalize(t_1(environment.getattr((undefined(name='counts') if l_0_counts is missing else l_0_counts), 'done'))))
            yield '. Older ones are in the folder <code>by-name</code>, under the name of the deck.</p>'
        def macro():
            t_7 = []
            pass
            t_7.extend((
                '<table class="decks">\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Deck', 'Job', 'Cards', 'Returned', 'Results', 'Done (UTC)'], (2, 3)))),
                '\n<tbody>',
            ))
            for l_2_row in (undefined(name='done') if l_0_done is missing else l_0_done):
                _loop_vars = {}
                pass
                t_7.append(
                    '<tr><th scope="row">',
                )
                if environment.getattr(l_2_row, 'folder'):
                    pass
                    t_7.extend((
                        '<a href="',
                        escape(environment.finalize(environment.getattr(l_2_row, 'folder'))),
                        '/out/control.html">',
                        escape(environment.finalize(environment.getattr(l_2_row, 'deck'))),
                        '</a>',
                    ))
                else:
                    pass
                    t_7.append(
                        escape(environment.finalize(environment.getattr(l_2_row, 'deck'))),
                    )
                t_7.extend((
                    '</th><td>',
                    escape(environment.finalize(environment.getattr(l_2_row, 'job'))),
                    '</td>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_row, 'cards'), _loop_vars=_loop_vars))),
                ))
                if (environment.getattr(l_2_row, 'back') and environment.getattr(l_2_row, 'folder')):
                    pass
                    t_7.extend((
                        '<td class="n"><a href="',
                        escape(environment.finalize(environment.getattr(l_2_row, 'folder'))),
                        '/out/returned/">',
                        escape(environment.finalize(t_1(environment.getattr(l_2_row, 'back')))),
                        '</a></td>',
                    ))
                else:
                    pass
                    t_7.append(
                        escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_row, 'back'), _loop_vars=_loop_vars))),
                    )
                t_7.append(
                    '<td>',
                )
                if environment.getattr(l_2_row, 'folder'):
                    pass
                    t_7.extend((
                        '<a href="',
                        escape(environment.finalize(environment.getattr(l_2_row, 'folder'))),
                        '/out/out/">deliveries</a>',
                    ))
                else:
                    pass
                    t_7.append(
                        'no longer here',
                    )
                t_7.extend((
                    '</td><td class="when">',
                    escape(environment.finalize(environment.getattr(l_2_row, 'ended'))),
                    '</td></tr>\n',
                ))
            l_2_row = missing
            t_7.append(
                '</tbody></table>',
            )
            return concat(t_7)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Decks that are done', caller=caller, _block_vars=_block_vars)
    else:
        pass
        yield '<p>No deck is done yet.</p>'
    yield '</section>\n'

blocks = {'lead': block_lead, 'main': block_main}
debug_info = '1=19&2=22&3=24&5=49&6=59&9=62&10=93&12=96&16=105&17=107&18=109&19=111&20=116&21=119&19=139&24=143&26=146&30=157&31=159&32=161&33=163&34=168&35=171&33=199&40=204&41=206&43=209&44=211&45=216&46=219&44=255&51=260&52=262&53=264&54=271&55=276&56=279&57=305&58=322&54=345'
